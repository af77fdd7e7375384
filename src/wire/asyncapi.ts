import { CLIENT_MESSAGES, ENDPOINT, SERVER_MESSAGES, SUBPROTOCOL } from "./messages.ts";

/** JSON Schema as any tool knows it: bytes become base64 text, as they are in JSON messages. */
function plain(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(plain);
  if (typeof value !== "object" || value === null) return value;
  const { type, maxByteLength, ...rest } = value as Record<string, unknown>;
  if (type === "Uint8Array") {
    const longest = Math.ceil((maxByteLength as number) / 3) * 4;
    return { ...rest, type: "string", contentEncoding: "base64", maxLength: longest };
  }
  // `$id` would make each schema a document of its own.
  const entries = Object.entries(value).filter(([name]) => name !== "$id");
  return Object.fromEntries(entries.map(([name, item]) => [name, plain(item)]));
}

/** JSON Schema (draft 7) of one message or of anything else that was put together with TypeBox. */
export const jsonSchema = (schema: object): object => plain(schema) as object;

/**
 * The protocol as an AsyncAPI 3.0 document.
 * @param version of the software
 */
export function asyncApi(version: string): object {
  const sides = [
    ["fromClient", CLIENT_MESSAGES],
    ["fromHead", SERVER_MESSAGES],
  ] as const;
  const messages: Record<string, object> = {};
  const channel: Record<string, object> = {};
  for (const [side, shapes] of sides) {
    for (const [kind, schema] of Object.entries(shapes)) {
      const name = `${side}.${kind}`;
      messages[name] = {
        name: kind,
        title: kind,
        summary: schema.description,
        contentType: "application/msgpack",
        payload: jsonSchema(schema),
      };
      channel[name] = { $ref: `#/components/messages/${name}` };
    }
  }
  const refs = (side: string) =>
    Object.keys(channel)
      .filter((name) => name.startsWith(`${side}.`))
      .map((name) => ({ $ref: `#/channels/live/messages/${name}` }));
  return {
    asyncapi: "3.0.0",
    info: {
      title: "Brinkmap head",
      version,
      description:
        `One WebSocket endpoint, sub-protocol ${SUBPROTOCOL}. Binary messages are MessagePack; a client whose first ` +
        "message is JSON text gets JSON text, with bytes as base64. Times are microseconds of the head's clock. " +
        "Silence is a stop, late is a stop.",
      license: { name: "MIT" },
    },
    defaultContentType: "application/msgpack",
    servers: {
      head: { host: "127.0.0.1:4917", protocol: "ws", description: "by default this machine only" },
    },
    channels: {
      live: {
        address: ENDPOINT,
        description: "hello first, then anything the role may send",
        messages: channel,
      },
    },
    operations: {
      takeFromClient: {
        action: "receive",
        channel: { $ref: "#/channels/live" },
        messages: refs("fromClient"),
      },
      sendToClient: { action: "send", channel: { $ref: "#/channels/live" }, messages: refs("fromHead") },
    },
    components: { messages },
  };
}
