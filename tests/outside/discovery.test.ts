import { Service } from "bonjour-service";
import { expect, test } from "vitest";
import { announcement } from "../../src/service/discovery.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

// The records are made as for an announcement; nothing is sent.
const records = new Service(
  announcement(4917, false),
  () => {},
  () => {},
).records();

/** A TXT record's data: each string behind its length. Source: RFC 6763, section 6.1. */
const txt = Buffer.concat(
  (records.find(({ type }) => type === "TXT")!.data as Buffer[]).flatMap((text) => [
    Buffer.of(text.length),
    text,
  ]),
);

test("the announcement's TXT record has the bytes that RFC 6763, section 6.1, gives key=value pairs", () => {
  const expected = `03${hex("v=1")}0a${hex("path=/live")}0e${hex("sub=brinkmap.1")}05${hex("tls=0")}`;
  expect(txt.toString("hex")).toBe(expected);
});
const hex = (text: string): string => Buffer.from(text).toString("hex");

test("the service's name follows RFC 6335, section 5.1, and leads to the port", () => {
  const service = records.find(({ type }) => type === "SRV")!;
  const [name] = /\._([^.]+)\._tcp\.local$/.exec(service.name)!.slice(1);
  // Section 5.1: at most 15 letters, digits and hyphens, at least one letter, no hyphen at an end.
  expect(name).toMatch(/^(?!-)(?=.*[a-z])[a-z0-9-]{1,15}(?<!-)$/i);
  expect(name).toBe("brinkmap");
  expect((service.data as { port: number }).port).toBe(4917);
});

testWith("python", "python3-zeroconf reads the same pairs from the record", () => {
  const script = `
import sys, json
from zeroconf import ServiceInfo
info = ServiceInfo("_brinkmap._tcp.local.", "x._brinkmap._tcp.local.", 4917, properties=bytes.fromhex(sys.argv[1]))
print(json.dumps({k.decode(): v.decode() for k, v in info.properties.items()}))
`;
  expect(JSON.parse(runPython(script, [txt.toString("hex")]))).toEqual({
    v: "1",
    path: "/live",
    sub: "brinkmap.1",
    tls: "0",
  });
});
