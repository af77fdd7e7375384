import { Parser } from "@asyncapi/parser";
import { Ajv } from "ajv";
import { expect, test } from "vitest";
import { asyncApi, jsonSchema } from "../../src/wire/asyncapi.ts";
import { misfit } from "../../src/wire/check.ts";
import { CLIENT_MESSAGES, type ClientKind } from "../../src/wire/messages.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

// AsyncAPI 3.0.0 is checked by its own parser, JSON Schema by two validators that are not ours.

const errorsOf = async (document: object) =>
  (await new Parser().parse(JSON.stringify(document))).diagnostics.filter(({ severity }) => severity === 0);

test("the AsyncAPI parser finds no error in the protocol's description", async () => {
  expect(await errorsOf(asyncApi("1.0.0"))).toEqual([]);
});

test("the AsyncAPI parser finds a wrong action, a dangling reference and a missing version", async () => {
  // biome-ignore lint/suspicious/noExplicitAny: reaches into a document of any shape to spoil it
  const spoil = (change: (document: any) => void) => {
    const document = structuredClone(asyncApi("1.0.0")) as Record<string, unknown>;
    change(document);
    return errorsOf(document);
  };
  const wrong = await Promise.all([
    spoil((d) => {
      d.operations.sendToClient.action = "publish";
    }),
    spoil((d) => {
      d.channels.live.messages = {
        x: { $ref: "#/nowhere" },
      };
    }),
    spoil((d) => {
      d.info.version = undefined;
    }),
  ]);
  for (const errors of wrong) expect(errors.length).toBeGreaterThan(0);
});

const SAMPLES: readonly (readonly [ClientKind, Record<string, unknown>, boolean])[] = [
  ["seen", { sequence: 1 }, true],
  ["seen", { sequence: 1.5 }, false],
  ["seen", {}, false],
  ["hello", { role: "base" }, true],
  ["hello", { role: "king" }, false],
  ["hello", { role: "sensor", sensors: [] }, true],
  ["subscribe", { topics: { reach: { rate: 10 } } }, true],
  ["subscribe", { topics: { reach: { rate: 1000 } } }, false],
  ["subscribe", { topics: { fame: { rate: 1 } } }, false],
  ["motion", { pose: [0, 0, 0], speed: null }, true],
  ["motion", { pose: [0, 0], speed: null }, false],
  ["ask", { id: 1, question: { about: "clearance", point: [0, 0], frame: "world" } }, true],
  ["ask", { id: 1, question: { about: "clearance", point: [0, 0], frame: "moon" } }, false],
  ["settings", { id: 1, change: { "body.height": 0.5 } }, true],
  ["settings", { id: 1, change: { "body.height": null } }, false],
  ["mark", { id: 1, text: "" }, false],
];

test("our checks, and another validator given our schemas, agree on good and bad messages", () => {
  const ajv = new Ajv({ strict: false });
  for (const [kind, fields, isFit] of SAMPLES) {
    const message = { kind, ...fields };
    const schema = CLIENT_MESSAGES[kind];
    expect(misfit(schema, message) === null, JSON.stringify(message)).toBe(isFit);
    expect(ajv.validate(jsonSchema(schema), message), JSON.stringify(message)).toBe(isFit);
  }
});

testWith("python", "Python's validator agrees on them as well", () => {
  const cases = SAMPLES.map(([kind, fields]) => [jsonSchema(CLIENT_MESSAGES[kind]), { kind, ...fields }]);
  const script = `
import json, sys, jsonschema
print(json.dumps([jsonschema.Draft7Validator(s).is_valid(m) for s, m in json.load(sys.stdin)]))
`;
  expect(JSON.parse(runPython(script, [], JSON.stringify(cases)))).toEqual(
    SAMPLES.map(([, , isFit]) => isFit),
  );
});
