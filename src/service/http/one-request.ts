import type { Socket } from "node:net";

const END_OF_HEAD = "\r\n\r\n";
/** Requests with these methods have no body: bytes after their header are another request. */
const WITHOUT_BODY = ["GET ", "HEAD "];

/**
 * Closes a connection with pipelined requests (RFC 9112, 9.3.2). Node would parse all requests of a chunk of 64 KiB, a thousand and more,
 * before it does anything else. Browsers and common clients do not pipeline. To be called after HTTP has started to listen to the socket.
 * @returns a function that ends the check, for a connection that no longer carries HTTP
 */
export function takeOneRequestAtATime(socket: Socket): () => void {
  /** The first characters of the present request, and the latest ones of its header. */
  let method = "";
  let tail = "";
  const inspect = (chunk: Buffer): void => {
    const text = chunk.toString("latin1");
    if (method.length < 5) method += text.slice(0, 5 - method.length);
    if (!WITHOUT_BODY.some((one) => one.startsWith(method) || method.startsWith(one))) {
      end(); // a request with a body is the last of its connection
      return;
    }
    const head = tail + text;
    const at = head.indexOf(END_OF_HEAD);
    tail = at < 0 ? head.slice(-3) : "";
    if (at < 0) return;
    method = "";
    if (at + END_OF_HEAD.length === head.length) return;
    if (isUpgrade(head.slice(0, at))) return; // Node parses no further request on this connection
    chunk.fill(0); // so that later listeners find no requests in it
    socket.destroy();
  };
  const end = (): void => {
    socket.off("data", inspect);
  };
  socket.prependListener("data", inspect);
  return end;
}

const isUpgrade = (head: string): boolean =>
  /\r\nupgrade:/i.test(head) && /\r\nconnection:[^\r]*\bupgrade\b/i.test(head);
