import specs from "@asyncapi/specs";
import { Ajv } from "ajv";
import { expect, test } from "vitest";
import { asyncApi, jsonSchema } from "../../src/wire/asyncapi.ts";
import { misfit } from "../../src/wire/check.ts";
import { CLIENT_MESSAGES, type ClientKind } from "../../src/wire/messages.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

// The protocol's description is checked by AsyncAPI's own JSON Schema of version 3.0.0, messages by two validators that
// are not ours.

// biome-ignore lint/suspicious/noExplicitAny: a document of any shape, which tests spoil
type Document = any;

// The schema carries JSON Schema's own with it, so the validator must not bring a second one.
const isAsyncApi = new Ajv({
  meta: false,
  validateSchema: false,
  strict: false,
  validateFormats: false,
}).compile(specs.schemas["3.0.0"] as object);

/** References of a document that point to nothing in it; a schema of the document's form cannot see those. */
function dangling(document: Document): string[] {
  const found: string[] = [];
  const look = (value: unknown): void => {
    if (typeof value !== "object" || value === null) return;
    for (const [name, inner] of Object.entries(value)) {
      if (name === "$ref" && typeof inner === "string" && !pointsInto(document, inner)) found.push(inner);
      look(inner);
    }
  };
  look(document);
  return found;
}

/** Whether a reference "#/a/b" names something in the document (RFC 6901). */
function pointsInto(document: Document, reference: string): boolean {
  let at = document;
  for (const part of reference.split("/").slice(1)) {
    const name = part.replaceAll("~1", "/").replaceAll("~0", "~");
    if (typeof at !== "object" || at === null || !Object.hasOwn(at, name)) return false;
    at = at[name];
  }
  return reference.startsWith("#");
}

function errorsOf(document: Document): string[] {
  isAsyncApi(document);
  return [...(isAsyncApi.errors ?? []).map((error) => JSON.stringify(error)), ...dangling(document)];
}

test("AsyncAPI's own schema finds no error in the protocol's description", () => {
  const document = JSON.parse(JSON.stringify(asyncApi("1.0.0")));
  expect(errorsOf(document)).toEqual([]);
});

test.each<[string, (document: Document) => void]>([
  [
    "a wrong action",
    (d) => {
      d.operations.sendToClient.action = "publish";
    },
  ],
  [
    "a dangling reference",
    (d) => {
      d.channels.live.messages = { x: { $ref: "#/nowhere" } };
    },
  ],
  [
    "a missing version",
    (d) => {
      delete d.info.version;
    },
  ],
])("the check finds %s", (_, spoil) => {
  const document = JSON.parse(JSON.stringify(asyncApi("1.0.0")));
  spoil(document);
  expect(errorsOf(document)).not.toEqual([]);
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
  ["ask", { id: 1, question: { about: "way", to: [1, 2], radius: 0.5, frame: "base" } }, true],
  ["ask", { id: 1, question: { about: "way", to: [1], frame: "base" } }, false],
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
