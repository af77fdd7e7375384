import { Ajv } from "ajv";
import { describe, expect, test } from "vitest";
import { findToken, newToken } from "../../src/service/access/tokens.ts";
import { ConfigError, resolveConfig } from "../../src/service/config.ts";
import { configSchema } from "../../src/service/config-file.ts";
import { CAMERA } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const BAD: readonly (readonly [given: unknown, message: RegExp])[] = [
  [{ listen: { port: 70000 } }, /listen.port must be a whole number from 0 up to 65535, got 70000/],
  [{ lissen: {} }, /lissen is not a known field/],
  [{ settings: { "body.height": 9 } }, /settings: body.height must be a number from 0.05 to 3 m, got 9/],
  [{ settings: { "body.hight": 1 } }, /there is no setting "body.hight"; did you mean/],
  [
    { sensors: [{ ...CAMERA, optics: { ...CAMERA.optics, width: 0 } }] },
    /sensors.0.optics.width must be a whole number/,
  ],
  [{ sensors: [{ ...CAMERA, optics: { ...CAMERA.optics, model: "pinehole" } }] }, /sensors.0.optics/],
  [{ base: { serial: { usb: { vendor: "1a2b", product: "xyz" } } } }, /base.serial.usb.product/],
  [
    { base: { serial: { path: "/dev/ttyACM0", speed: 300 } } },
    /base.serial.speed must be a whole number from 9600/,
  ],
  [
    { base: { serial: { path: "/dev/ttyACM0" }, wheels: { kind: "differential", radius: 0.05 } } },
    /base.wheels/,
  ],
  [{ blind: "soon" }, /blind must be a finite number from 0.05 up to 60, got "soon"/],
];

describe("settings file", () => {
  test.each(BAD)("%j is refused by field, what it allows and what it is", (given, message) => {
    expect(() => resolveConfig(given)).toThrow(message);
    expect(() => resolveConfig(given)).toThrow(ConfigError);
  });

  test("a motor board's line has a path or USB ids, not both", () => {
    const usb = { vendor: "1a2b", product: "0001" };
    for (const serial of [{}, { path: "/dev/ttyACM0", usb }]) {
      expect(() => resolveConfig({ base: { serial } })).toThrow("base.serial: give either path or usb");
    }
    const { base } = resolveConfig({ base: { serial: { usb } } });
    expect(base!.serial).toEqual({ usb, speed: 115_200, rehearse: false });
  });

  test("an empty one serves this machine only", () => {
    expect(resolveConfig({}).listen).toMatchObject({ host: "127.0.0.1", port: 4917, tls: null });
  });

  test("another address needs tokens; a certificate its key; a camera program its sensor", () => {
    expect(() => resolveConfig({ listen: { host: "0.0.0.0" } })).toThrow(/tokens are needed.*--new-token/);
    expect(() => resolveConfig({ listen: { certificate: "a.pem" } })).toThrow(/go together/);
    expect(() => resolveConfig({ depth: [{ sensor: "front", command: ["x"] }] })).toThrow(
      /no sensor "front"/,
    );
    expect(() => resolveConfig({ sensors: [CAMERA, CAMERA] })).toThrow(/same name/);
    const { entry } = newToken("robot", ["drive"]);
    expect(resolveConfig({ listen: { host: "0.0.0.0" }, tokens: [entry] }).listen.host).toBe("0.0.0.0");
  });

  const samples = [
    ...BAD.map(([given]) => given),
    {},
    { sensors: [CAMERA] },
    { settings: { "pose.source": "odometry" } },
  ];

  test("another validator, given our schema, agrees", () => {
    const validate = new Ajv({ strict: false }).compile(configSchema());
    for (const given of samples) {
      let isFit = true;
      try {
        resolveConfig(given);
      } catch {
        isFit = false;
      }
      expect(validate(given), JSON.stringify(given)).toBe(isFit);
    }
  });

  testWith("python", "and to Python's", () => {
    const script = `
import json, sys, jsonschema
schema, samples = json.load(sys.stdin)
print(json.dumps([jsonschema.Draft7Validator(schema).is_valid(s) for s in samples]))
`;
    const validate = new Ajv({ strict: false }).compile(configSchema());
    const verdicts = JSON.parse(runPython(script, [], JSON.stringify([configSchema(), samples])));
    expect(verdicts).toEqual(samples.map((given) => validate(given)));
  });
});

test("a token matches only itself, and the stored hash does not reveal it", () => {
  const tokens = ["a", "b", "c"].map((name) => newToken(name, ["watch"]));
  const entries = tokens.map(({ entry }) => entry);
  for (const { token, entry } of tokens) {
    expect(findToken(entries, token)).toBe(entry);
    expect(JSON.stringify(entry)).not.toContain(token);
    expect(findToken(entries, entry.hash)).toBeNull();
  }
  expect(findToken(entries, undefined)).toBeNull();
  expect(findToken(entries, "")).toBeNull();
});
