import type { Socket } from "node:net";

const END_OF_HEAD = "\r\n\r\n";
/** Requests with these methods have no body: what follows their head is another request. */
const WITHOUT_BODY = ["GET ", "HEAD "];

/**
 * Closes a connection that sends a request before the one before it was read (pipelining, RFC 9112, 9.3.2). Node would take all
 * requests of a piece of 64 KiB, a thousand and more, before it does anything else; browsers and common clients send none.
 * To be called when HTTP listens to the socket already.
 * @returns ends it: the connection does not speak HTTP any more
 */
export function takeOneRequestAtATime(socket: Socket): () => void {
  /** The first characters of the present request, and the last ones of its head so far. */
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
    if (isUpgrade(head.slice(0, at))) return; // Node reads no further request here
    chunk.fill(0); // whoever reads it next finds no requests in it
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
