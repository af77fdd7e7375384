import { SIGNS } from "../terms/signs.ts";
import { parseSpots } from "../terms/spots.ts";
import { AddressBar } from "./address-bar.ts";
import { outlineOf } from "./body.ts";
import { Comparison } from "./comparison.ts";
import { CornerHandles } from "./corner-handles.ts";
import { damageText } from "./damage.ts";
import { DepthImage } from "./depth-image.ts";
import { listenToDialogs, openHelp, openMark, openToken } from "./dialogs.ts";
import { byId, setText } from "./dom.ts";
import { listenToFolds, toggleFold, toggleFullScreen, toggleMapOnly } from "./folds.ts";
import { GuidedLook } from "./guided-look.ts";
import { HeadLink } from "./head-link.ts";
import { HeadsList } from "./heads-list.ts";
import { HistoryStrip } from "./history-strip.ts";
import { KeptRecordings } from "./kept-recordings.ts";
import { type KeyBinding, listenToKeys, listKeys } from "./keys.ts";
import { LabelEditor } from "./label-editor.ts";
import { MapOffers } from "./map-offers.ts";
import { MapPanel } from "./map-panel.ts";
import type { PlaceTaker } from "./map-picker.ts";
import { listNotes } from "./notes-list.ts";
import { judge } from "./page-state.ts";
import { showPathLegend } from "./path-legend.ts";
import { PathMoments } from "./path-moments.ts";
import { paintSwatches } from "./patterns.ts";
import { Playback } from "./playback.ts";
import { RobotPanel, showPulse } from "./robot-panel.ts";
import { SettingsDialog } from "./settings-dialog.ts";
import { secondsText } from "./text.ts";
import { THEMES, type ThemeName } from "./theme.ts";
import { token } from "./token.ts";
import { VIEWS } from "./views.ts";
import { firstOf, WayChooser } from "./way-chooser.ts";
import { type FromWorker, sharedNow } from "./worker-messages.ts";
import { ZoneEditor } from "./zone-editor.ts";

// The page: makes its parts, passes the head's messages to them, and shows whether the data can be trusted.

/** The head's WebSocket. */
const ADDRESS = `${location.protocol === "https:" ? "wss:" : "ws:"}//${location.host}/live`;
/** Milliseconds between updates of the state and its age while no message arrives. */
const TICK = 200;
/** Depth images per second while their panel is open. */
const IMAGES = 4;
/** Metres above the ground clearance up to which a voxel counts as floor: voxels of the floor reach a little above it. */
const FLOOR_TOP = 0.03;
/** Metres: a voxel that begins at the floor also counts as floor, whatever its size. */
const ROUNDING = 0.01;

const root = document.documentElement;
const layers = byId<HTMLDetailsElement>("layers");
const imageBox = byId<HTMLDetailsElement>("image-box");

// --- State of the connection and the head.

let isOpen = false;
/** Why the connection is closed, and the `sharedNow` of the next attempt. */
let reason: string | null = null;
let retryAt: number | null = null;
/** Whether a person has paused the page. */
let isPaused = false;
/** Whether any sensor has sent a frame; undefined until the first pulse. */
let isSensorSeen: boolean | undefined;
/** The recording that the head plays; null: it is live. */
let playedName: string | null = null;

const address = new AddressBar();

// --- Parts.

const link = new HeadLink(take);
const { ask } = link;
const robot = new RobotPanel((reach) => {
  comparison.setReach(reach);
  if (playedName === null && history.add(reach)) listNotes(history.notes);
  showState();
});
const labels = new LabelEditor(
  (marked) => map.view.showLabels(marked),
  () => map.prepareDrawing(),
);
const ways = new WayChooser(
  (to, heading) => link.post({ kind: "way to", to, heading }),
  (way) => map.view.showGoalWay(way),
);
/** Receivers of clicks on the map. */
const takers: PlaceTaker[] = [labels, ways];
const map = new MapPanel(ask, firstOf(takers));
const image = new DepthImage(byId<HTMLCanvasElement>("depth-image"));
const history = new HistoryStrip(byId<HTMLCanvasElement>("history"));
const playback = new Playback(ask);
const kept = new KeptRecordings(ask);
const offers = new MapOffers(ask);
const moments = new PathMoments((to) => void ask({ kind: "play", wish: { to, speed: 0 } }));
map.picker.onPlace = (point) => moments.offer(point);
const look = new GuidedLook();
const heads = new HeadsList();
const settings = new SettingsDialog(ask, (values) => {
  const low = Math.max(
    Number(values["body.groundClearance"] ?? 0.03) + FLOOR_TOP,
    Number(values["map.voxelSize"] ?? 0.05) + ROUNDING,
  );
  const high = Number(values["body.height"] ?? 0.5);
  playback.topSpeed =
    comparison.topSpeed =
    history.topSpeed =
    robot.topSpeed =
      Number(values["guard.topSpeed"] ?? Number.POSITIVE_INFINITY);
  map.view.setBands(low, high);
  link.post({ kind: "bands", bands: { low, high } });
  const body = outlineOf(String(values["body.footprint"] ?? ""));
  map.view.body = robot.body = body;
  comparison.setBands({ low, high });
  zones.take(values);
  ways.spots = parseSpots(String(values["map.spots"] ?? ""));
});
const comparison = new Comparison(ask, (text) => settings.say(text));
const handles = new CornerHandles(byId("corner-handles"), map.view);
map.view.onPicture = () => handles.place();
const zones = new ZoneEditor({
  settings,
  handles,
  show: (shown, spots, draft) => {
    map.view.showZones(shown, draft);
    map.view.showSpots(spots);
  },
  begin: () => {
    map.picker.measure = null;
    ways.end();
  },
});
takers.unshift(zones);
comparison.onSettings = () => void settings.load();

// --- Messages.

function take(message: FromWorker): void {
  // A paused page still shows connection, health and events.
  if (!isPaused) takeView(message);
  takeHealth(message);
  showState();
}

/** Handles messages that a paused page ignores. */
function takeView(message: FromWorker): void {
  switch (message.kind) {
    case "reach":
      robot.take(message.reach, message.arrived);
      map.view.showReach(message.reach);
      break;
    case "pose":
      robot.takePose(message.pose);
      map.view.moveTo(message.pose.worldFromBase, message.pose.time);
      comparison.setPose(message.pose);
      break;
    case "brinks":
      robot.takeBrinks(message.brinks.brinks);
      break;
    case "image":
      image.show(message.image);
      map.view.showImage(message.image);
      break;
    case "floor":
      map.view.showFloor(message.ground);
      map.view.showDrops(message.edges);
      break;
    case "way":
      ways.take(message.way);
      break;
    case "trail":
      map.view.showPath(message.trail);
      showPathLegend(message.trail);
      break;
  }
}

/** Goes to the moment that the address asked for when the page was opened. */
function followAddress(): void {
  const to = address.takeMoment();
  if (to === null) return;
  ask({ kind: "play", wish: { to, speed: 0 } }).catch((error: Error) => setText("found", error.message));
}

function takeHealth(message: FromWorker): void {
  switch (message.kind) {
    case "open":
      open(message.welcome);
      break;
    case "closed":
      isOpen = false;
      offers.hide();
      reason = message.reason;
      retryAt = message.retry === null ? null : sharedNow() + message.retry;
      // The head refuses the connection until it gets a token.
      if (message.retry === null && /token/.test(message.reason)) openToken(message.reason);
      break;
    case "pulse":
      isSensorSeen = message.pulse.sensors.some(({ frames }) => frames > 0);
      showPulse(message.pulse);
      offers.show(message.pulse.map);
      history.load = message.pulse.load.busy;
      history.draw();
      break;
    case "baseline":
      comparison.show(message.baseline);
      robot.setPlain(comparison.areSettings);
      break;
    case "baseline map":
      settings.say(message.isAwaited ? "Waiting until the map with the present settings is complete." : "");
      break;
    case "playing":
      if (message.playing.goal !== null && playback.playing?.goal === null) setText("found", "");
      playback.show(message.playing);
      comparison.setPlaying(message.playing);
      followAddress();
      break;
    case "recording":
      playback.list(message.recording);
      comparison.setRecording(message.recording);
      showRun();
      setText("damage", damageText(message.recording.lost));
      break;
    case "note":
      history.note(message.note);
      if (message.note.what === "pretrigger") void kept.load();
      if (message.note.what === "setting") settings.changedElsewhere();
      listNotes(history.notes);
      break;
    case "fault":
      setText("found", message.text);
      break;
    case "surface":
      map.showSurface(message);
      if (message.isComplete) void comparison.mapChanged();
      break;
  }
}

/** Shows what is known of the whole recording on the map. */
function showRun(): void {
  moments.setCurve(playback.curve);
  map.view.showPace(playback.curve, playback.topSpeed);
}

function open(welcome: Extract<FromWorker, { kind: "open" }>["welcome"]): void {
  isOpen = true;
  reason = null;
  isSensorSeen = undefined;
  map.view.showSetup(welcome.setup);
  if (welcome.played !== playedName) {
    forgetNotes();
    ways.end();
  }
  map.open(welcome.map.voxelSize, welcome.played !== playedName);
  playedName = welcome.played;
  const isPlayed = playedName !== null;
  root.dataset["mode"] = isPlayed ? "played" : "live";
  look.update();
  if (isPlayed && isPaused) setPaused(false);
  if (isPlayed) zones.end();
  robot.forget();
  playback.forget();
  showRun();
  playback.session = welcome.session;
  void heads.load();
  comparison.forget();
  image.show(null);
  wantImages();
  void settings.load();
  kept.setPlayed(isPlayed);
  void labels.setRecording(playedName);
}

/** Clears what was said of another head or another recording. */
function forgetNotes(): void {
  for (const id of ["found", "damage", "playback-say"]) setText(id, "");
  history.forget();
  listNotes(history.notes);
}

// --- State line and notes.

function showState(): void {
  const now = sharedNow();
  const { reach } = robot;
  const state = judge({
    isOpen,
    reason,
    retry: retryAt === null ? null : Math.max(0, retryAt - now),
    reach: reach?.message ?? null,
    since: reach === null ? 0 : now - reach.arrived,
    isPaused,
    isSensorMissing: isSensorSeen === false,
    address: ADDRESS,
    poseClass: robot.pose?.class ?? null,
    playing: playedName === null ? null : playback.playing,
    length: playback.length,
  });
  if (root.dataset["values"] !== state.values) root.dataset["values"] = state.values;
  const isMapStale = state.isMapStale ?? false;
  root.classList.toggle("is-map-stale", isMapStale);
  root.classList.toggle("is-gone", !isOpen);
  setText("state-word", state.word);
  // The title shows a bad state also while the tab is in the background.
  const title = state.values === "stale" ? `${state.word} – Brinkmap` : "Brinkmap";
  if (document.title !== title) document.title = title;
  address.show(map.view.view, playback.playing);
  byId("retry").hidden = isOpen || reason === null;
  setText("state-line", state.line);
  const text = isMapStale && state.values === "played" ? "Map catching up" : state.word;
  for (const element of document.querySelectorAll<HTMLElement>(".stale")) {
    if (element.textContent !== text) element.textContent = text;
  }
}

/** Source of the shown data, for the caption of a saved picture. */
const shownText = (): string =>
  playedName === null ? "Live head" : `${playedName}, ${secondsText(playback.playing?.at ?? 0)}`;

// --- Controls.

function setPaused(paused: boolean): void {
  isPaused = paused;
  byId("pause").setAttribute("aria-pressed", String(paused));
  setText("pause", paused ? "Resume" : "Pause");
  map.isPaused = paused;
  showState();
}

function setTheme(name: ThemeName): void {
  root.dataset["theme"] = name;
  setText("theme", name === "night" ? "Day" : "Night");
  const theme = THEMES[name];
  for (const part of [robot, comparison, image, history, playback, map]) part.paint(theme);
  paintSwatches(SIGNS, theme);
}

const cloud = byId<HTMLInputElement>("layer-cloud");
/** Asks for depth images while somebody sees them. */
function wantImages(): void {
  link.post({ kind: "images", rate: imageBox.open || cloud.checked ? IMAGES : 0 });
}
imageBox.addEventListener("toggle", wantImages);
cloud.addEventListener("change", wantImages);
const amplitude = byId<HTMLInputElement>("amplitude");
amplitude.addEventListener("change", () => {
  image.isAmplitude = amplitude.checked;
});

const whenPlayed = (run: () => void) => () => {
  if (playedName !== null) run();
};
const keys: readonly KeyBinding[] = [
  {
    key: "p",
    help: "pause the page, or the recording; resume",
    control: "pause",
    run: () => (playedName === null ? setPaused(!isPaused) : playback.toggle()),
  },
  {
    key: "b",
    help: "previous, next frame of a recording",
    control: "frame-previous",
    run: whenPlayed(() => playback.step(-1)),
  },
  {
    key: "n",
    help: "previous, next frame of a recording",
    control: "frame-next",
    run: whenPlayed(() => playback.step(1)),
  },
  {
    key: "shift+b",
    help: "previous, next event of a recording",
    control: "event-previous",
    run: whenPlayed(() => playback.toEvent(-1)),
  },
  {
    key: "shift+n",
    help: "previous, next event of a recording",
    control: "event-next",
    run: whenPlayed(() => playback.toEvent(1)),
  },
  { key: "r", help: "keep the last minutes as a recording", control: "keep", run: () => kept.open() },
  { key: "e", help: "mark this moment as an event", control: "mark", run: openMark },
  {
    key: "1",
    help: "views of the map: plan, 3-D, riding behind the robot",
    run: () => map.setView(VIEWS[0]),
  },
  {
    key: "2",
    help: "views of the map: plan, 3-D, riding behind the robot",
    run: () => map.setView(VIEWS[1]),
  },
  {
    key: "3",
    help: "views of the map: plan, 3-D, riding behind the robot",
    run: () => map.setView(VIEWS[2]),
  },
  { key: "k", help: "keep the robot in view", control: "follow", run: () => byId("follow").click() },
  { key: "f", help: "fit the map to the window", control: "fit", run: () => map.view.fit() },
  {
    key: "c",
    help: "hide the map above a height",
    control: "cut",
    run: () => {
      layers.open = true;
      byId("cut").focus();
    },
  },
  {
    key: "h",
    help: "layers of the map, and its signs",
    run: () => {
      layers.open = !layers.open;
    },
  },
  { key: "g", help: "show or hide the floor's state", control: "floor", run: () => byId("floor").click() },
  {
    key: "d",
    help: "measure a distance",
    control: "measure-distance",
    run: () => map.toggleMeasure("distance"),
  },
  {
    key: "o",
    help: "measure an area on the plan",
    control: "measure-area",
    run: () => map.toggleMeasure("area"),
  },
  { key: "j", help: "show the way to a place on the map", control: "way-to", run: () => ways.toggle() },
  {
    key: "q",
    help: "closed areas, slow zones and spots",
    control: "zones",
    run: () => {
      if (playedName === null) zones.toggle();
    },
  },
  {
    key: "v",
    help: "save the view of the map as a picture",
    control: "picture",
    run: () => map.savePicture(shownText()),
  },
  {
    key: "i",
    help: "depth image; its amplitude",
    control: "image-box",
    run: () => {
      imageBox.open = !imageBox.open;
    },
  },
  { key: "a", help: "depth image; its amplitude", control: "amplitude", run: () => amplitude.click() },
  { key: "l", help: "labels of a recording", control: "labels-box", run: whenPlayed(() => labels.reveal()) },
  { key: "s", help: "settings", control: "settings", run: () => settings.show() },
  {
    key: "y",
    help: "changed settings: make them the baseline, revert them",
    control: "baseline-set",
    run: () => comparison.setBaseline(),
  },
  {
    key: "u",
    help: "changed settings: make them the baseline, revert them",
    control: "baseline-revert",
    run: () => comparison.revert(),
  },
  {
    key: "t",
    help: "day or night colours",
    control: "theme",
    run: () => setTheme(root.dataset["theme"] === "night" ? "light" : "night"),
  },
  { key: "w", help: "fold the panel beside the map, the timeline", run: () => toggleFold("side") },
  { key: "x", help: "fold the panel beside the map, the timeline", run: () => toggleFold("time") },
  { key: "m", help: "the map alone, with the state", control: "map-only", run: toggleMapOnly },
  { key: "z", help: "the whole screen for the page", control: "full-screen", run: toggleFullScreen },
  { key: "?", help: "help: what is what on the page, and this list", control: "help", run: openHelp },
];
listenToKeys(keys);
listKeys(byId("keys"), keys);
/** Buttons without a listener of their own run the action of their key. */
for (const id of [
  "pause",
  "mark",
  "settings",
  "theme",
  "help",
  "fit",
  "measure-distance",
  "measure-area",
  "way-to",
  "zones",
  "picture",
  "map-only",
  "full-screen",
]) {
  byId(id).addEventListener("click", () => keys.find(({ control }) => control === id)!.run());
}

byId("retry").addEventListener("click", () => connect());
const connect = (): void => link.post({ kind: "connect", url: ADDRESS, token: token() });
listenToDialogs((text) => {
  ask({ kind: "mark", text }).catch((error: Error) => setText("found", error.message));
}, connect);

listenToFolds();
const sizes = new ResizeObserver(() => {
  map.resize();
  for (const part of [robot, comparison, history, playback]) part.draw();
});
sizes.observe(document.body);
// A panel that opens beside the map makes the map smaller, and the size of the page may stay the same.
for (const id of ["map", "fan", "history", "timeline", "layers"]) sizes.observe(byId(id));

if (address.view !== null) map.setView(address.view);
else document.documentElement.dataset["view"] = map.view.view;
setTheme(matchMedia("(prefers-color-scheme: dark)").matches ? "night" : "light");
showState();
setInterval(showState, TICK);
connect();

/** Figures for the browser benchmark. */
Object.assign(globalThis, { brinkmapFigures: () => map.figures });
