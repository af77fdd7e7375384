import { Dice } from "../../../src/simulate/home/dice.ts";
import { FOOTING } from "../../../src/terms/safety.ts";
import { FIRM_ONLY, type Prices, WayGround } from "../../../src/way/ground.ts";

/** A box from above: middle, half sides and heading, metres and radians. */
interface Box {
  readonly x: number;
  readonly y: number;
  readonly halfX: number;
  readonly halfY: number;
  readonly yaw: number;
}

/** Rooms in rows with doors and furniture, in the plan's own frame. */
export interface FloorPlan {
  readonly width: number;
  readonly depth: number;
  readonly boxes: readonly Box[];
  /** Radians by which the plan is turned in the world. */
  readonly yaw: number;
}

const WALL = 0.1;

/** Draws a plan of about so many square metres. The same seed gives the same plan. */
export function drawFloorPlan(seed: number, area: number): FloorPlan {
  const dice = new Dice(seed, 77);
  const side = Math.sqrt(area);
  const columns = Math.max(2, Math.round(side / dice.between(3.5, 5)));
  const rows = Math.max(2, Math.round(side / dice.between(3.5, 5)));
  const width = side * dice.between(0.9, 1.1);
  const depth = area / width;
  const [roomX, roomY] = [width / columns, depth / rows];
  const boxes: Box[] = [];
  const wall = (x0: number, y0: number, x1: number, y1: number): void => {
    boxes.push({
      x: (x0 + x1) / 2,
      y: (y0 + y1) / 2,
      halfX: Math.abs(x1 - x0) / 2 + WALL / 2,
      halfY: Math.abs(y1 - y0) / 2 + WALL / 2,
      yaw: 0,
    });
  };
  wall(0, 0, width, 0);
  wall(0, depth, width, depth);
  wall(0, 0, 0, depth);
  wall(width, 0, width, depth);
  /** A wall with a door of 0.6 to 1 m, or none. */
  const parted = (length: number, put: (from: number, to: number) => void): void => {
    if (dice.chance(0.12)) {
      put(0, length);
      return;
    }
    if (dice.chance(0.1)) return;
    const door = dice.between(0.6, 1);
    const at = dice.between(0.15, length - door - 0.15);
    put(0, at - WALL / 2);
    put(at + door + WALL / 2, length);
  };
  for (let c = 0; c < columns; c++) {
    for (let r = 0; r < rows; r++) {
      const [x, y] = [c * roomX, r * roomY];
      if (c > 0) parted(roomY, (from, to) => wall(x, y + from, x, y + to));
      if (r > 0) parted(roomX, (from, to) => wall(x + from, y, x + to, y));
      for (let n = dice.whole(7); n > 0; n--) {
        const thin = dice.chance(0.4);
        boxes.push({
          x: x + dice.between(0.3, roomX - 0.3),
          y: y + dice.between(0.3, roomY - 0.3),
          halfX: thin ? 0.02 : dice.between(0.15, 0.6),
          halfY: thin ? 0.02 : dice.between(0.15, 0.45),
          yaw: dice.chance(0.7) ? 0 : dice.between(0, Math.PI),
        });
      }
    }
  }
  return { width, depth, boxes, yaw: dice.chance(0.5) ? 0 : dice.between(0, Math.PI / 2) };
}

/** A floor of cells: 1 for firm ground, row-major, cell (0, 0) at the world's origin. */
export interface CellFloor {
  readonly cellSize: number;
  readonly cols: number;
  readonly rows: number;
  readonly firm: Uint8Array;
}

/** The cells of a plan. A cell that any box touches is not firm, nor is one outside the walls. */
export function cellsOf(plan: FloorPlan, cellSize: number): CellFloor {
  const { width, depth, boxes, yaw } = plan;
  const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
  const corners = [
    [0, 0],
    [width, 0],
    [0, depth],
    [width, depth],
  ].map(([x = 0, y = 0]) => [x * cos - y * sin, x * sin + y * cos] as const);
  const x0 = Math.min(...corners.map(([x]) => x)) - 0.2;
  const y0 = Math.min(...corners.map(([, y]) => y)) - 0.2;
  const cols = Math.ceil((Math.max(...corners.map(([x]) => x)) + 0.2 - x0) / cellSize);
  const rows = Math.ceil((Math.max(...corners.map(([, y]) => y)) + 0.2 - y0) / cellSize);
  const firm = new Uint8Array(cols * rows);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < cols; c++) {
      const [wx, wy] = [x0 + (c + 0.5) * cellSize, y0 + (r + 0.5) * cellSize];
      const [x, y] = [wx * cos + wy * sin, wy * cos - wx * sin];
      if (x > 0 && y > 0 && x < width && y < depth) firm[r * cols + c] = 1;
    }
  }
  for (const box of boxes) {
    const [bx, by] = [box.x * cos - box.y * sin - x0, box.x * sin + box.y * cos - y0];
    blockBox({ ...box, x: bx, y: by, yaw: box.yaw + yaw }, { cellSize, cols, rows, firm });
  }
  return { cellSize, cols, rows, firm };
}

/** Source: the separating axis theorem, for a box and a square. */
function blockBox({ x, y, halfX, halfY, yaw }: Box, { cellSize, cols, rows, firm }: CellFloor): void {
  const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
  const half = cellSize / 2;
  const spanX = halfX * Math.abs(cos) + halfY * Math.abs(sin);
  const spanY = halfX * Math.abs(sin) + halfY * Math.abs(cos);
  const square = half * (Math.abs(cos) + Math.abs(sin));
  for (let r = Math.floor((y - spanY) / cellSize); r <= Math.floor((y + spanY) / cellSize); r++) {
    for (let c = Math.floor((x - spanX) / cellSize); c <= Math.floor((x + spanX) / cellSize); c++) {
      if (c < 0 || r < 0 || c >= cols || r >= rows) continue;
      const [dx, dy] = [(c + 0.5) * cellSize - x, (r + 0.5) * cellSize - y];
      const along = Math.abs(dx * cos + dy * sin);
      const across = Math.abs(dy * cos - dx * sin);
      if (along < halfX + square && across < halfY + square) firm[r * cols + c] = 0;
    }
  }
}

/** The ground of a floor. @param body metres: the body's farthest corner with its margin */
export function groundOf(floor: CellFloor, body: number, prices: Prices = FIRM_ONLY): WayGround {
  const ground = new WayGround(floor.cellSize, { body, limit: 1, prices });
  ground.fit(0, 0, floor.cols, floor.rows);
  for (let n = 0; n < floor.firm.length; n++) {
    const isFirm = floor.firm[n] === 1;
    ground.set(n % floor.cols, Math.floor(n / floor.cols), isFirm ? FOOTING.firm : FOOTING.blocked);
  }
  ground.update();
  return ground;
}
