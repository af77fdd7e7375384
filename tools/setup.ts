import { existsSync } from "node:fs";
import { resolve } from "node:path";
import { resolveConfig } from "../src/service/config.ts";
import { CAUTION, mainOf, type Option, runIfStarted } from "./frame/command.ts";
import { checkFile, EXIT, nearest, UsageError } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { noneExpected, wholeOption } from "./frame/values.ts";
import { LiveError } from "./mount/live.ts";
import { baseStep } from "./setup/base-step.ts";
import { devicesStep } from "./setup/devices-step.ts";
import { driveStep } from "./setup/drive-step.ts";
import { QUESTIONS, type QuestionName } from "./setup/questions.ts";
import type { DraftConfig, Outcome, Session, Step } from "./setup/session.ts";
import { readDraft, undoSettings, writeSettings } from "./setup/settings-file.ts";
import { edgeStep, NotShown, stopStep } from "./setup/stop-steps.ts";
import { StepTurn, Talk } from "./setup/talk.ts";
import { SensorTrouble } from "./setup/trial-head.ts";
import { viewStep } from "./setup/view-step.ts";

/** All steps, in their order. */
const STEPS = {
  devices: devicesStep,
  base: baseStep,
  view: viewStep,
  drive: driveStep,
  stop: stopStep,
  edge: edgeStep,
} as const satisfies Record<string, Step>;
type StepName = keyof typeof STEPS;
const NAMES = Object.keys(STEPS) as StepName[];

/** The package's settings file. */
const OF_PACKAGE = "/etc/brinkmap/head.json";

const options = {
  config: {
    type: "string",
    short: "c",
    value: "<file>",
    help: `settings file to make or change (default ${OF_PACKAGE} if it is there, else head.json)`,
  },
  step: {
    type: "string",
    multiple: true,
    value: "<name>",
    help: `only this step; may be repeated: ${NAMES.join(", ")}`,
  },
  answer: {
    type: "string",
    short: "a",
    multiple: true,
    value: "<name=value>",
    help: "answer to a question, which is then not asked; its name stands in brackets behind the question. --answer help lists all",
  },
  batch: { type: "boolean", help: "ask nothing: other questions take their proposals" },
  undo: { type: "boolean", help: "bring back the settings file as it was before the last setup" },
  scenario: {
    type: "string",
    short: "s",
    value: "<file>",
    help: "try the setup without hardware: a scenario of the simulator in place of the sensors",
  },
  seconds: { type: "string", value: "<s>", default: "180", help: "longest drive (default 180)" },
  port: {
    type: "string",
    short: "p",
    value: "<n>",
    default: "4918",
    help: "port of the trial head's page (default 4918; 0: any)",
  },
  root: {
    type: "string",
    value: "<folder>",
    default: "/",
    help: "folder that holds sys and dev (default /)",
  },
} as const satisfies Record<string, Option>;

export const main = mainOf({
  name: "setup",
  usage: ["[options]", "--undo [--config <file>]"],
  about:
    "Sets up a head on a board, step by step in a terminal: what is connected, where the lens is, what it sees, whether the base stops. Nothing is written before the last question.",
  options,
  notes: `Steps: ${NAMES.map((name) => `${name} (${STEPS[name].about})`).join("; ")}.
${CAUTION}`,
  exits: {
    3: "the settings file is invalid",
    4: "a file cannot be written",
    5: "written, but a step has failed",
    130: "ended before the last question; nothing was changed",
  },
  async run({ values, positionals }) {
    noneExpected(positionals);
    const path = resolve(values.config ?? (existsSync(OF_PACKAGE) ? OF_PACKAGE : "head.json"));
    if (values.undo) {
      console.log((await undoSettings(path)).join("\n"));
      return EXIT.done;
    }
    if (values.answer?.includes("help")) {
      for (const [name, { text, help }] of Object.entries(QUESTIONS))
        console.log(`${name.padEnd(14)}${text} ${help}`);
      return EXIT.done;
    }
    const answers = readAnswers(values.answer ?? []);
    const names = readSteps(values.step);
    const port = wholeOption(values, "port", 0, 65_535);
    const seconds = wholeOption(values, "seconds", 1, 3600);
    const config = await readDraft(path);
    await checkFile(path);
    return untilInterrupted(async (signal) => {
      const talk = new Talk({
        input: process.stdin,
        print: (line) => console.log(line),
        answers,
        isBatch: values.batch === true,
        signal,
      });
      const session: Session = {
        talk,
        root: values.root!,
        scenario: values.scenario ?? null,
        port,
        seconds,
        isTerminal: process.stdout.isTTY === true && process.stdin.isTTY === true,
        signal,
      };
      try {
        return await walk(session, { path, config, names });
      } finally {
        talk.close();
      }
    });
  },
});

function readAnswers(given: readonly string[]): Map<QuestionName, string> {
  const known = Object.keys(QUESTIONS);
  return new Map(
    given.map((text) => {
      const [, name = text, value] = /^([^=]*)=(.*)$/s.exec(text) ?? [];
      if (!known.includes(name)) {
        const near = nearest(name, known)[0];
        throw new UsageError(
          `--answer: there is no question "${name}"${near === undefined ? "" : `; did you mean "${near}"?`} (--answer help lists all)`,
        );
      }
      if (value === undefined)
        throw new UsageError(`--answer ${name} needs a value: --answer ${name}=<value>`);
      return [name as QuestionName, value.trim()];
    }),
  );
}

function readSteps(given: readonly string[] | undefined): readonly StepName[] {
  if (given === undefined) return NAMES;
  const unknown = given.find((name) => !Object.hasOwn(STEPS, name));
  if (unknown !== undefined)
    throw new UsageError(`--step: there is no step "${unknown}"; there are ${NAMES.join(", ")}`);
  return NAMES.filter((name) => given.includes(name));
}

interface Plan {
  readonly path: string;
  readonly config: DraftConfig;
  readonly names: readonly StepName[];
}

/** Walks through the steps, and writes the file after the last question. @returns the exit code */
async function walk(session: Session, { path, config, names }: Plan): Promise<number> {
  const { talk } = session;
  talk.say(
    `Setup of ${path}. Nothing is written before the last question; quit ends at any time.`,
    `! ${CAUTION}`,
    "! Lift the base or tether it, and have a person at the hardware stop whenever it may move.",
  );
  if (session.scenario === null && (await isHeadRunning())) {
    talk.say(
      "! A head runs on this machine, and has the sensors for itself. End it first: sudo systemctl stop brinkmap",
    );
  }
  let draft = config;
  const steps: (Outcome & { readonly step: StepName })[] = [];
  for (const [n, name] of names.entries()) {
    talk.say("", `== ${n + 1} of ${names.length}: ${STEPS[name].title} [${name}]`);
    const outcome = await runStep(session, name, draft);
    draft = outcome.config ?? draft;
    steps.push({ step: name, ...outcome });
  }
  talk.say("", "== Report");
  for (const { step, result, text } of steps) talk.say(`  ${step.padEnd(8)} ${result.padEnd(8)} ${text}`);
  if (session.scenario !== null)
    talk.say("! These are results of simulated sensors: do not write them into a robot's file.");
  resolveConfig(draft);
  if (!(await talk.askYes("write", "no"))) {
    talk.say("Nothing was changed.");
    return EXIT.done;
  }
  talk.checkInterrupt();
  const at = new Date().toISOString();
  const before = await writeSettings(path, draft, {
    at,
    steps: steps.map(({ step, result, text }) => ({
      step,
      result,
      // A report must not pass for one of real sensors.
      text: session.scenario === null ? text : `simulated: ${text}`,
    })),
  });
  talk.say(
    `Written: ${path}${before === null ? "" : `; as it was before: ${before}`}. brinkmap setup --undo brings that back.`,
    `Start the head with it: ${path === OF_PACKAGE ? "sudo systemctl restart brinkmap" : `brinkmap serve --config ${path}`}`,
  );
  return steps.some(({ result }) => result === "failed") ? EXIT.finding : EXIT.done;
}

/** Runs a step, again if the person asks for it, until the person accepts its outcome. */
async function runStep(session: Session, name: StepName, config: DraftConfig): Promise<Outcome> {
  const { talk } = session;
  const step = STEPS[name];
  for (;;) {
    try {
      const why = step.cannot(session, config);
      const outcome: Outcome =
        why === null ? await tried(step, session, config) : { result: "skipped", text: why };
      talk.checkInterrupt();
      talk.say(`${name}: ${outcome.result}: ${outcome.text}`);
      await talk.enter("Go on?");
      return outcome;
    } catch (error) {
      if (!(error instanceof StepTurn)) throw error;
      if (error.turn === "skip") return { result: "skipped", text: "on request" };
    }
  }
}

/** Runs a step once. A failure of a sensor fails the step, not the setup. */
async function tried(step: Step, session: Session, config: DraftConfig): Promise<Outcome> {
  try {
    return await step.run(session, config);
  } catch (error) {
    session.talk.checkInterrupt();
    const isKnown = [SensorTrouble, NotShown, LiveError].some((kind) => error instanceof kind);
    if (!isKnown) throw error;
    return { result: "failed", text: (error as Error).message };
  }
}

/** Whether a head listens at the usual port. */
async function isHeadRunning(): Promise<boolean> {
  try {
    await fetch("http://127.0.0.1:4917/health", { signal: AbortSignal.timeout(500) });
    return true;
  } catch {
    return false;
  }
}

await runIfStarted(import.meta.url, main);
