import { LineChart, ScatterChart } from "echarts/charts";
import { GridComponent, LegendComponent } from "echarts/components";
import { init, use } from "echarts/core";
import { LabelLayout } from "echarts/features";
import { SVGRenderer } from "echarts/renderers";
import { escapeText } from "./markup.ts";

use([LineChart, ScatterChart, GridComponent, LegendComponent, LabelLayout, SVGRenderer]);

/** Replaced by `currentColor` at the end, so that a chart has the text colour of its page. */
const INK = "#123456";

/** Points of one kind, with a colour and a shape. */
export interface Points {
  readonly name: string;
  /** A colour of CSS; null: the page's ink. */
  readonly color: string | null;
  readonly shape: "circle" | "rect" | "triangle" | "diamond";
  /** With a name, a point is labelled, unless the label would cover another. */
  readonly data: readonly (readonly [x: number, y: number, name?: string])[];
}

export interface Chart {
  /** The chart in words, for screen readers. */
  readonly about: string;
  readonly height: number;
  readonly x: Axis;
  readonly y: Axis;
  readonly points: readonly Points[];
  /** Each a line from point to point. */
  readonly lines?: readonly (readonly (readonly [x: number, y: number])[])[];
}

interface Axis {
  readonly name: string;
  readonly isLog?: boolean;
  /** Names of the whole numbers from 1; the axis then runs downwards. */
  readonly labels?: readonly string[];
}

/** Units of the drawing, which the page scales. Narrow, so that text is legible on a phone. */
const WIDTH = 400;

/** A chart as SVG. It needs no script and loads nothing. */
export function drawChart({ about, height, x, y, points, lines = [] }: Chart): string {
  const chart = init(null, null, { renderer: "svg", ssr: true, width: WIDTH, height });
  const text = { color: INK, fontSize: 11, fontFamily: "sans-serif" };
  const axis = ({ name, isLog, labels }: Axis) => ({
    type: isLog === true ? ("log" as const) : ("value" as const),
    name,
    nameLocation: "middle" as const,
    nameTextStyle: text,
    scale: true,
    axisLine: { show: true, onZero: false, lineStyle: { color: INK } },
    axisTick: { show: labels === undefined, lineStyle: { color: INK } },
    splitLine: { lineStyle: { color: INK, opacity: 0.15 } },
    ...(labels === undefined
      ? { axisLabel: { ...text, hideOverlap: true, formatter: shortly }, splitNumber: 4 }
      : {
          inverse: true,
          min: 0,
          max: labels.length + 1,
          interval: 1,
          nameGap: 28,
          axisLabel: { ...text, formatter: (n: number) => labels[n - 1] ?? "" },
        }),
  });
  chart.setOption({
    animation: false,
    grid: { left: 56, right: 16, top: points.length > 1 ? 34 : 12, bottom: 44 },
    ...(points.length > 1 ? { legend: { top: 0, textStyle: text, itemWidth: 12, itemHeight: 10 } } : {}),
    xAxis: { ...axis(x), nameGap: 26 },
    yAxis: y.labels === undefined ? { ...axis(y), nameGap: 42 } : axis(y),
    series: [
      ...lines.map((data) => ({
        type: "line" as const,
        silent: true,
        showSymbol: false,
        data: data.map((at) => [...at]),
        lineStyle: { color: INK, width: 1.2, opacity: 0.7 },
      })),
      ...points.map(({ name, color, shape, data }) => ({
        type: "scatter" as const,
        silent: true,
        name,
        symbol: shape,
        symbolSize: 8,
        clip: false,
        itemStyle: { color: color ?? INK },
        labelLayout: { hideOverlap: true },
        data: data.map(([left, up, label = ""]) => ({
          value: [left, up],
          label: {
            ...text,
            fontSize: 10,
            show: label !== "",
            formatter: label,
            position: "right",
            distance: 3,
          },
        })),
      })),
    ],
  });
  const svg = chart.renderToSVGString();
  chart.dispose();
  const [from, to] = [
    /<svg [^>]*>/,
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${WIDTH} ${height}"`,
  ];
  return svg
    .replace(from, `${to} role="img" aria-label="${escapeText(about)}">`)
    .replace(/<style[\s\S]*?<\/style>/g, "") // styles for a pointer over the chart
    .replaceAll(INK, "currentColor");
}

const shortly = (value: number): string => String(Number(value.toPrecision(4)));
