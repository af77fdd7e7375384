import type { Answer, FromServer } from "../wire/messages.ts";
import { brinksFrom, dropText, yawOf } from "./brinks.ts";
import { Compare } from "./comparison.ts";
import { Seen } from "./depth-image.ts";
import { download } from "./download.ts";
import { Strip, symbolOf } from "./history-strip.ts";
import { KeptList } from "./kept-recordings.ts";
import { Labels } from "./label-editor.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { Place, VIEWS, type View } from "./map-view.ts";
import { judge, lineOf } from "./page-state.ts";
import { FOLLOWS, isFollowed } from "./reach-events.ts";
import { aheadOf, ENDS, Fan, nearestOf } from "./reach-fan.ts";
import { SettingsPanel } from "./settings-dialog.ts";
import { ageText, bearingText, countText, metresText } from "./text.ts";
import { THEMES, type ThemeName } from "./theme.ts";
import { Course } from "./timeline.ts";
import { authorization, setToken, token } from "./token.ts";
import {
  type FromLink,
  type Request,
  type Sighting,
  sharedNow,
  type ToLink,
  type Trail,
} from "./worker-messages.ts";

const ENDPOINT = "/live";
/** The age on the page goes on this often without news, milliseconds. */
const TICK = 200;

const byId = <T extends HTMLElement = HTMLElement>(id: string): T => document.getElementById(id) as T;
const say = (id: string, text: string): void => {
  const element = byId(id);
  if (element.textContent !== text) element.textContent = text;
};

const fan = new Fan(byId<HTMLCanvasElement>("fan"));
const seen = new Seen(byId<HTMLCanvasElement>("seen"));
const strip = new Strip(byId<HTMLCanvasElement>("strip"));
const mapCanvas = byId<HTMLCanvasElement>("map");
const place = new Place(mapCanvas);
const link = new Worker(new URL("worker.js", document.baseURI), { type: "module" });

interface Stamped<T> {
  readonly message: T;
  readonly arrived: number;
}
let isOpen = false;
let reason: string | null = null;
let retryAt: number | null = null;
let silence = 500_000;
let reach: Stamped<FromServer<"reach">> | null = null;
let pose: FromServer<"pose"> | null = null;
let brinks: FromServer<"brinks">["brinks"] = [];
let isHeld = false;
/** What came while the moment was held: the newest of each chunk. */
const heldBack = new Map<string, ChunkUpdate>();

// Requests to the head, through the worker.
let nextRequest = 1;
const waiting = new Map<number, { resolve: (value: unknown) => void; reject: (error: Error) => void }>();
const post = (message: ToLink): void => link.postMessage(message);
function request<T>(what: Request): Promise<T> {
  const id = nextRequest++;
  return new Promise((resolve, reject) => {
    waiting.set(id, { resolve: resolve as (value: unknown) => void, reject });
    post({ kind: "request", id, request: what });
  });
}

const settingsPanel = new SettingsPanel(request, (values) => {
  const height = Number(values["body.height"] ?? 0.5);
  const groundClearance = Number(values["body.groundClearance"] ?? 0.03);
  place.setBands(groundClearance + 0.03, height);
  compare.setBands(groundClearance + 0.03, height);
});

/** Depth images come only while they are looked at. */
const IMAGES = 4;
const seenBox = byId<HTMLDetailsElement>("seen-box");

const course = new Course(request);
const kept = new KeptList(request);
const labels = new Labels(
  (marked) => place.showLabels(marked),
  () => {
    setMeasuring(false);
    mapCanvas.focus();
    // Once the map has the size that is left to it.
    requestAnimationFrame(() => requestAnimationFrame(() => setView("above")));
  },
);
const compare = new Compare(request, (text) => say("settings-say", text));
compare.onSettings = () => void settingsPanel.load();
/** The head plays a recording. */
let isPlayed = false;
let playedName: string | null = null;

link.onmessage = ({ data }: MessageEvent<FromLink>) => {
  switch (data.kind) {
    case "open": {
      isOpen = true;
      openedAt = performance.now();
      reason = null;
      silence = data.welcome.silence;
      place.setVoxelSize(data.welcome.map.voxelSize);
      if (data.welcome.played !== playedName) place.fitAnew();
      playedName = data.welcome.played;
      isPlayed = playedName !== null;
      document.documentElement.dataset["mode"] = isPlayed ? "played" : "live";
      if (isPlayed && isHeld) setHeld(false);
      course.forget();
      compare.forget();
      clearTimeout(follower);
      reach = pose = null;
      brinks = [];
      showBrinks();
      seen.show(null);
      place.showGround(null);
      place.showTrail(null);
      post({ kind: "images", rate: seenBox.open ? IMAGES : 0 });
      void settingsPanel.load();
      kept.setPlayed(isPlayed);
      void labels.setRecording(playedName);
      break;
    }
    case "closed":
      isOpen = false;
      reason = data.reason;
      // Turned away for good for want of a token: it is asked for.
      if (data.retry === null && /token/.test(data.reason)) askToken(data.reason);
      retryAt = data.retry === null ? null : sharedNow() + data.retry;
      break;
    case "reach":
      if (isHeld) return;
      clearTimeout(follower);
      if (!isFollowed(reach, data.reach, data.arrived)) takeReach(data.reach, data.arrived);
      else follower = setTimeout(() => takeReach(data.reach, data.arrived), FOLLOWS);
      break;
    case "pose":
      if (!isHeld) showPose(data.pose);
      break;
    case "brinks":
      if (isHeld) break;
      brinks = data.brinks.brinks;
      place.showBrinks(brinks);
      showBrinks();
      break;
    case "pulse":
      showPulse(data.pulse);
      strip.draw();
      break;
    case "image":
      if (!isHeld) seen.show(data.image);
      break;
    case "ground":
      if (!isHeld) place.showGround(data.ground);
      break;
    case "trail":
      if (!isHeld) {
        place.showTrail(data.trail);
        showClasses(data.trail);
      }
      break;
    case "baseline":
      compare.show(data.baseline);
      fan.setPlain(compare.isOn);
      break;
    case "playing":
      course.show(data.playing);
      compare.setFrame(data.playing.frame);
      break;
    case "recording":
      course.list(data.recording);
      break;
    case "note":
      strip.note(data.note);
      if (data.note.what === "pretrigger") void kept.load();
      showNotes();
      break;
    case "fault":
      say("found", data.text);
      break;
    case "surface":
      showSurface(data);
      break;
    case "reply":
      waiting.get(data.id)?.resolve(data.value);
      waiting.delete(data.id);
      break;
    case "refused":
      waiting.get(data.id)?.reject(new Error(data.message));
      waiting.delete(data.id);
      break;
    default:
      data satisfies never;
  }
  showTrust();
};

function showTrust(): void {
  const now = sharedNow();
  const trust = judge({
    isOpen,
    reason,
    retry: retryAt === null ? null : Math.max(0, retryAt - now),
    reach: reach?.message ?? null,
    since: reach === null ? 0 : now - reach.arrived,
    silence,
    isHeld,
    poseClass: pose?.class ?? null,
    playing: isPlayed ? course.playing : null,
    length: course.length,
  });
  const root = document.documentElement;
  const isLive = !trust.isLive ? "no" : trust.isPlayed ? "played" : "yes";
  if (root.dataset["live"] !== isLive) root.dataset["live"] = isLive;
  root.classList.toggle("is-map-old", trust.isMapOld ?? false);
  say("trust-word", trust.word);
  say("trust-line", trust.line);
  for (const element of document.querySelectorAll<HTMLElement>(".stale")) {
    const text = trust.isMapOld && trust.isPlayed ? "The map follows" : trust.word;
    if (element.textContent !== text) element.textContent = text;
  }
}

/** A reach of the frame alone that the one with memory is waited for after. */
let follower: ReturnType<typeof setTimeout> | undefined;
function takeReach(message: FromServer<"reach">, arrived: number): void {
  if (isHeld) return;
  reach = { message, arrived };
  if (!isPlayed && strip.add(message)) showNotes();
  showReach(message);
  showTrust();
}

function showReach(message: FromServer<"reach">): void {
  fan.show(message);
  compare.setReach(message);
  const describe = (n: number): string =>
    `${metresText(message.distanceMm[n]! / 1000)}, ${ENDS[message.what[n]!] ?? "unknown"}`;
  say("ahead", message.what.length === 0 ? "–" : describe(aheadOf(message)));
  const nearest = nearestOf(message);
  say(
    "nearest",
    nearest < 0 ? "nothing" : `${describe(nearest)}, ${bearingText(message.first + nearest * message.step)}`,
  );
  const { pace } = message;
  say("pace-forward", pace === null ? "–" : `${pace.forward.toFixed(2)} m/s`);
  say("pace-backward", pace === null ? "–" : `${pace.backward.toFixed(2)} m/s`);
  say("pace-turning", pace === null ? "–" : `${pace.left.toFixed(2)} left, ${pace.right.toFixed(2)} right`);
  const { waiver } = message;
  say(
    "waiver",
    waiver === null ? "none" : `${waiver.direction}, ${waiver.left.toFixed(1)} s more: ${waiver.reason}`,
  );
  say("frame", countText(message.frame));
}

function showPose(message: FromServer<"pose">): void {
  pose = message;
  place.moveTo(pose.worldFromBase);
  compare.setPose(pose);
  const [x, y] = pose.worldFromBase.position;
  say("position", `${x.toFixed(2)}, ${y.toFixed(2)} m`);
  say("heading", `${Math.round((yawOf(pose.worldFromBase.rotation) * 180) / Math.PI)}°`);
  say("pose-class", pose.class);
  showBrinks();
}

/** Edges of the floor from where the base is: on the fan, and the nearest in words. */
function showBrinks(): void {
  const near = pose === null ? [] : brinksFrom(pose.worldFromBase, brinks);
  fan.showBrinks(near);
  const [first] = near;
  const where = (x: number, y: number): string => bearingText(Math.atan2(y, x));
  say(
    "brink",
    first === undefined
      ? "none near"
      : `${dropText(first.drop)}, ${metresText(first.distance)}, ${where(...first.nearest)}`,
  );
}

function showPulse(pulse: FromServer<"pulse">): void {
  const [sensor] = pulse.sensors;
  say("rate", sensor === undefined ? "–" : `${sensor.rate.toFixed(1)} a second`);
  say("load", `${pulse.load.median.toFixed(1)} ms, ${Math.round(100 * pulse.load.busy)} % busy`);
  const sum = (field: "missed" | "overtaken" | "skipped"): number =>
    pulse.sensors.reduce((all, each) => all + each[field], 0);
  const leftOut = sum("missed") + sum("overtaken") + sum("skipped");
  say("left-out", `${countText(leftOut)} ${leftOut === 1 ? "frame" : "frames"}`);
  say("memory", `${Math.round(pulse.memory / 1e6)} MB`);
}

/** For the benchmark: when the connection opened, how long the first whole picture took, and what patches cost. */
let openedAt = 0;
let wholeAfter: number | null = null;
/**
 * One change of the map, from its arrival until the last piece of it is taken over; what comes meanwhile is counted with it.
 * `ms` is all of the page's own thread that it took, `longest` the longest piece at once, `picture` what drawing it took there.
 */
interface Patch {
  blocks: number;
  ms: number;
  longest: number;
  slices: number;
  picture: number;
  /** The map became another one. */
  isOther: boolean;
}
const patches: Patch[] = [];
const MOST_PATCHES = 1000;
let openPatch: Patch | null = null;
function addSlice(ms: number): void {
  if (openPatch === null) return;
  openPatch.ms += ms;
  openPatch.longest = Math.max(openPatch.longest, ms);
  openPatch.slices++;
  if (place.isComing) return;
  const patch = openPatch;
  openPatch = null;
  if (document.hidden) return; // nothing is drawn there
  place.afterNextPicture((picture) => {
    patch.picture = picture;
    patches.push(patch);
    if (patches.length > MOST_PATCHES) patches.shift();
  });
}
place.onSlice = (ms) => {
  addSlice(ms);
  showExtent();
};

function showSurface(data: Extract<FromLink, { kind: "surface" }>): void {
  const begun = performance.now();
  takeSurface(data);
  if (!isHeld) {
    openPatch ??= { blocks: 0, ms: 0, longest: 0, slices: 0, picture: 0, isOther: false };
    openPatch.blocks += data.changed;
    openPatch.isOther ||= data.isOther;
    addSlice(performance.now() - begun);
  }
  if (!data.isComplete || wholeAfter !== null || data.blocks === 0) return;
  place.hurry();
  place.afterNextPicture(() => {
    wholeAfter ??= performance.now() - openedAt;
  });
}

function takeSurface(data: Extract<FromLink, { kind: "surface" }>): void {
  if (data.isOther) heldBack.clear();
  if (isHeld) for (const update of data.updates) heldBack.set(update.chunk, update);
  else place.update(data.updates);
  showExtent();
  if (data.isComplete) void compare.mapChanged();
  say("map-size", `${countText(data.blocks)} blocks${data.isComplete ? "" : ", more to come"}`);
}

function showExtent(): void {
  byId("empty").hidden = place.quadCount > 0;
}

function showNotes(): void {
  const list = byId("notes");
  const rows = strip.notes
    .slice(-12)
    .reverse()
    .map(({ what, text, came }) => {
      const row = document.createElement("li");
      row.textContent = `${symbolOf({ what, text })} ${came.toLocaleTimeString("en-GB")}  ${what}: ${text}`;
      return row;
    });
  list.replaceChildren(...rows);
}

function setHeld(held: boolean): void {
  isHeld = held;
  byId("hold").setAttribute("aria-pressed", String(held));
  say("hold", held ? "Go on" : "Hold");
  if (!held) {
    place.update([...heldBack.values()]);
    heldBack.clear();
  }
  showTrust();
}

function setView(view: View): void {
  place.setView(view);
  for (const input of document.querySelectorAll<HTMLInputElement>('input[name="view"]')) {
    input.checked = input.value === view;
  }
}

// Measuring, and asking about a place: from where a voxel is, never from the picture.
let isMeasuring = false;
let points: (readonly number[])[] = [];
function setMeasuring(measuring: boolean): void {
  isMeasuring = measuring;
  points = [];
  place.showRuler(points);
  byId("measure").setAttribute("aria-pressed", String(measuring));
  say("found", measuring ? "Choose two places on the map." : "");
}

async function choose(x: number, y: number): Promise<void> {
  try {
    const ray = place.rayThrough(x, y);
    const { along } = ray;
    // Where no surface is, the floor's own height is asked about: it may be gone, or doubtful.
    const sighting =
      (await request<Sighting | null>({ kind: "look", ...ray })) ?? place.onFloor(ray.from, ray.along);
    if (labels.isDrawing) {
      // The truth may be where the map has nothing.
      const at = sighting ?? place.onZero(ray.from, along);
      if (at !== null) labels.corner(at.point);
      return;
    }
    if (sighting === null) {
      say("found", "Nothing is known there.");
      return;
    }
    if (isMeasuring) {
      points = points.length >= 2 ? [sighting.point] : [...points, sighting.point];
      place.showRuler(points);
      const [a, b] = points;
      if (a === undefined || b === undefined) say("found", "Choose the second place.");
      else {
        const level = Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!);
        const whole = Math.hypot(level, a[2]! - b[2]!);
        const height = Math.abs(a[2]! - b[2]!);
        say(
          "found",
          `${metresText(whole)} apart; ${metresText(level)} along the floor, ${metresText(height)} in height`,
        );
      }
      return;
    }
    // Just inside the surface that was hit.
    const inside = sighting.point.map((v, k) => v + 0.002 * along[k]!) as [number, number, number];
    const answer = (await request({
      kind: "ask",
      question: { about: "evidence", point: inside, frame: "world" },
    })) as Extract<Answer, { about: "evidence" }>;
    say("found", evidenceText(sighting.point, answer));
    const from = answer.changed?.from;
    place.showRuler(from === undefined ? [sighting.point] : [[...from, 0.3], sighting.point]);
  } catch (error) {
    say("found", error instanceof Error ? error.message : String(error));
  }
}

/** What is known of a voxel and the floor below it, since when, and from where. */
function evidenceText(
  point: readonly number[],
  { class: kind, nats, changed, footing, seen: floor }: Extract<Answer, { about: "evidence" }>,
): string {
  const at = (place: readonly number[]): string => place.map((v) => v.toFixed(2)).join(", ");
  const share = Math.round(100 / (1 + Math.exp(-nats)));
  const since =
    changed === null ? "" : `, last changed ${ageText(1e6 * changed.ago)} ago, seen from ${at(changed.from)}`;
  const far = floor?.far == null ? "" : ` from ${metresText(floor.far)} away`;
  const below = floor === null ? "never seen" : `seen ${ageText(1e6 * floor.ago)} ago${far}`;
  return (
    `${at(point)} m: ${kind}, log-odds ${nats >= 0 ? "+" : "−"}${Math.abs(nats).toFixed(1)} (${share} %)${since}. ` +
    `Floor there: ${footing}, ${below}.`
  );
}

/** What holds a pose, in words. */
const HOLDS: Readonly<Record<string, string>> = {
  reference: ": as recorded beside the sensors",
  held: ": by depth",
  sliding: ": depth leaves a direction free",
  carried: ": on by wheels or by feel, not held by depth",
  lost: ": the map rests",
};

/** Which kinds of pose the way has, in words beside their lines. */
function showClasses({ classes }: Trail): void {
  const list = byId("trail-legend");
  const names = classes.join();
  if (list.dataset["names"] === names) return;
  list.dataset["names"] = names;
  list.replaceChildren(
    ...classes.map((name) => {
      const row = document.createElement("li");
      const line = document.createElement("span");
      line.className = `swatch line-${lineOf(name)}`;
      row.append(line, `pose ${name}${HOLDS[name] ?? ""}`);
      return row;
    }),
  );
}

/** A file of the map as the head has it. */
async function saveMap(kind: "ply" | "npy"): Promise<void> {
  try {
    const answer = await fetch(new URL(`map.${kind}`, document.baseURI), { headers: authorization() });
    if (!answer.ok) throw new Error((await answer.text()).trim());
    download(await answer.blob(), `map.${kind}`);
  } catch (error) {
    say("settings-say", error instanceof Error ? error.message : String(error));
  }
}
byId("map-ply").addEventListener("click", () => void saveMap("ply"));
byId("map-npy").addEventListener("click", () => void saveMap("npy"));

function savePicture(): void {
  mapCanvas.toBlob((blob) => {
    if (blob === null) return;
    download(blob, `map-${new Date().toISOString().slice(0, 19).replaceAll(":", "-")}.png`);
  });
}

function setTheme(name: ThemeName): void {
  document.documentElement.dataset["theme"] = name;
  say("theme", name === "night" ? "Day" : "Night");
  const theme = THEMES[name];
  fan.paint(theme);
  compare.paint(theme);
  seen.paint(theme);
  strip.paint(theme);
  course.paint(theme);
  place.paint(theme);
}

const dialog = (id: string): HTMLDialogElement => byId<HTMLDialogElement>(id);
const markDialog = dialog("mark-dialog");
markDialog.addEventListener("close", () => {
  const text = byId<HTMLInputElement>("mark-text").value.trim();
  if (markDialog.returnValue !== "ok" || text === "") return;
  request({ kind: "mark", text }).catch((error: Error) => say("found", error.message));
  byId<HTMLInputElement>("mark-text").value = "";
});

seenBox.addEventListener("toggle", () => post({ kind: "images", rate: seenBox.open ? IMAGES : 0 }));
const amplitudeBox = byId<HTMLInputElement>("amplitude");
amplitudeBox.addEventListener("change", () => {
  seen.isAmplitude = amplitudeBox.checked;
});
const groundBox = byId<HTMLInputElement>("ground");
groundBox.addEventListener("change", () => place.setGround(groundBox.checked));

const tokenDialog = dialog("token-dialog");
function askToken(why: string): void {
  say("token-why", why.replace(/^hello: /, ""));
  if (!tokenDialog.open) tokenDialog.showModal();
}
tokenDialog.addEventListener("close", () => {
  const input = byId<HTMLInputElement>("token");
  if (tokenDialog.returnValue !== "ok" || input.value.trim() === "") return;
  setToken(input.value.trim());
  input.value = "";
  connect();
});

const cut = byId<HTMLInputElement>("cut");
function setCut(): void {
  const isAll = cut.value === cut.max;
  say("cut-text", isAll ? "all" : metresText(Number(cut.value)));
  place.setCut(isAll ? 1e6 : Number(cut.value));
}

const actions: Readonly<Record<string, () => unknown>> = {
  h: () => (isPlayed ? course.toggle() : setHeld(!isHeld)),
  " ": () => (isPlayed ? course.toggle() : setHeld(!isHeld)),
  ",": () => isPlayed && course.wish({ step: -1 }),
  ".": () => isPlayed && course.wish({ step: 1 }),
  k: () => compare.keep(),
  u: () => compare.takeBack(),
  b: () => isPlayed && course.toMoment(-1),
  n: () => isPlayed && course.toMoment(1),
  r: () => kept.ask(),
  m: () => markDialog.showModal(),
  s: () => {
    dialog("settings-dialog").showModal();
    document.querySelector<HTMLElement>("#settings-list :is(input, select)")?.focus();
  },
  t: () => setTheme(document.documentElement.dataset["theme"] === "night" ? "light" : "night"),
  "?": () => dialog("help-dialog").showModal(),
  f: () => place.fit(),
  g: () => groundBox.click(),
  i: () => {
    seenBox.open = !seenBox.open;
  },
  a: () => amplitudeBox.click(),
  c: () => cut.focus(),
  d: () => setMeasuring(!isMeasuring),
  l: () => isPlayed && labels.reveal(),
  p: savePicture,
  "1": () => setView(VIEWS[0]),
  "2": () => setView(VIEWS[1]),
  "3": () => setView(VIEWS[2]),
};
const buttons = {
  hold: "h",
  mark: "m",
  settings: "s",
  theme: "t",
  help: "?",
  fit: "f",
  measure: "d",
  picture: "p",
} as const;
for (const [id, key] of Object.entries(buttons)) byId(id).addEventListener("click", () => actions[key]!());
document.addEventListener("keydown", (event) => {
  const target = event.target as HTMLElement;
  const isTyping = target.matches(
    "input:not([type=range]):not([type=radio]):not([type=checkbox]), textarea, select",
  );
  if (isTyping || event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]"))
    return;
  if (event.key === " " && target.matches("button, summary, [type=radio], [type=checkbox]")) return;
  const action = actions[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (action === undefined) return;
  event.preventDefault();
  action();
});
for (const input of document.querySelectorAll<HTMLInputElement>('input[name="view"]')) {
  input.addEventListener("change", () => setView(input.value as View));
}
cut.addEventListener("input", setCut);

// A click chooses, a drag turns the map.
let pressedAt: readonly [number, number] | null = null;
mapCanvas.addEventListener("pointerdown", ({ clientX, clientY }) => {
  pressedAt = [clientX, clientY];
});
mapCanvas.addEventListener("pointerup", ({ clientX, clientY }) => {
  if (pressedAt === null || Math.hypot(clientX - pressedAt[0], clientY - pressedAt[1]) > 4) return;
  const box = mapCanvas.getBoundingClientRect();
  void choose(((clientX - box.left) / box.width) * 2 - 1, 1 - ((clientY - box.top) / box.height) * 2);
});
mapCanvas.addEventListener("keydown", (event) => {
  if (event.key === "Enter") void choose(0, 0);
  else if (event.key === "+" || event.key === "=") place.zoom(0.85);
  else if (event.key === "-") place.zoom(1 / 0.85);
  else if (!labels.key(event.key)) return;
  event.preventDefault();
  event.stopPropagation();
});

const sizes = new ResizeObserver(() => {
  place.resize(mapCanvas.clientWidth, mapCanvas.clientHeight);
  fan.draw();
  compare.draw();
  strip.draw();
  course.draw();
});
sizes.observe(document.body);
// What opens beside the map takes of its room, and may leave the page as long as it was.
sizes.observe(mapCanvas);

setTheme(matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "light");
showTrust();
setInterval(showTrust, TICK);
const scheme = location.protocol === "https:" ? "wss:" : "ws:";
const connect = (): void =>
  post({ kind: "connect", url: `${scheme}//${location.host}${ENDPOINT}`, token: token() });
connect();

/** Figures for the browser benchmark. */
Object.assign(globalThis, {
  brinkmapFigures: () => ({ ...place.figures, drawn: place.drawn, complete: wholeAfter, patches }),
});
