import { type Static, Type } from "@sinclair/typebox";
import { misfit } from "./check.ts";
import { exact, type Frozen, Pair } from "./shapes.ts";

const Named = Type.String({ minLength: 1, maxLength: 200 });
const Note = Type.Optional(Type.String({ maxLength: 2000 }));

/** A file of labels: ground truth of a recording's place, marked by people, in metres of the map's world. */
const LabelsShape = exact({
  note: Note,
  tolerance: Type.Optional(
    Type.Number({
      minimum: 0.01,
      maximum: 1,
      description: "metres; largest distance between a found edge and its label",
    }),
  ),
  edges: Type.Optional(
    Type.Array(
      exact({
        note: Note,
        name: Named,
        line: Type.Array(Pair, { minItems: 2, maxItems: 1000 }),
        drop: Type.Number({ minimum: 0.005, maximum: 100, description: "metres" }),
      }),
      { maxItems: 1000 },
    ),
  ),
  obstacles: Type.Optional(
    Type.Array(
      exact({ note: Note, name: Named, outline: Type.Array(Pair, { minItems: 3, maxItems: 1000 }) }),
      { maxItems: 1000 },
    ),
  ),
});
export type LabelsFile = Frozen<Static<typeof LabelsShape>>;

/** Null when `value` is a file of labels; else one line that names the field, its value, and what it should be. */
export function labelsMisfit(value: unknown): string | null {
  const why = misfit(LabelsShape, value);
  if (why !== null) return why;
  const { edges = [], obstacles = [] } = value as LabelsFile;
  return edges.length + obstacles.length > 0 ? null : "label an edge or an obstacle at least";
}
