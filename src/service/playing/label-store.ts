import { randomBytes } from "node:crypto";
import { copyFile, open, readFile, rename, rm } from "node:fs/promises";
import type { IncomingMessage } from "node:http";
import { type LabelsFile, labelsMisfit } from "../../wire/label-file.ts";
import { troubleText } from "../file-trouble.ts";
import { UploadError } from "./recordings-folder.ts";

/** Most bytes of a file of labels. */
const MOST = 1e6;

/** Path of the labels of a recording. */
const labelsBeside = (recording: string): string => `${recording}.labels.json`;

const unlessMissing = (error: NodeJS.ErrnoException): null => {
  if (error.code === "ENOENT") return null;
  throw error;
};

/** Labels, null where none can be read; and the error, null without one. */
interface LabelsBeside {
  readonly labels: LabelsFile | null;
  readonly trouble: string | null;
}

export async function readLabelsBeside(recording: string): Promise<LabelsBeside> {
  try {
    const text = await readFile(labelsBeside(recording), "utf8").catch(unlessMissing);
    if (text === null) return { labels: null, trouble: null };
    const labels = JSON.parse(text) as LabelsFile;
    const why = labelsMisfit(labels);
    if (why === null) return { labels, trouble: null };
    return { labels: null, trouble: `the labels beside the recording are not used: ${why}` };
  } catch (error) {
    const { message } = error as Error;
    return { labels: null, trouble: `the labels beside the recording cannot be read: ${message}` };
  }
}

/**
 * Receives labels and writes them beside a recording, atomically. The earlier ones are kept as `.before`.
 * @throws {UploadError}
 */
export async function takeLabels(recording: string, request: IncomingMessage): Promise<void> {
  const labels = await bodyOf(request);
  const why = labelsMisfit(labels);
  if (why !== null) throw new UploadError(422, `these are no labels: ${why}`);
  const path = labelsBeside(recording);
  const part = `${path}.${randomBytes(6).toString("hex")}.part`;
  try {
    const file = await open(part, "wx", 0o644);
    try {
      await file.writeFile(`${JSON.stringify(labels, null, 2)}\n`);
      await file.sync();
    } finally {
      await file.close();
    }
    await copyFile(path, `${path}.before`).catch(unlessMissing);
    await rename(part, path);
  } catch (error) {
    await rm(part, { force: true });
    throw new UploadError(507, `they could not be kept: ${troubleText(error)}`);
  }
}

/** @throws {UploadError} when the body is too long, incomplete, or not JSON */
async function bodyOf(request: IncomingMessage): Promise<unknown> {
  const size = Number(request.headers["content-length"]);
  if (!Number.isInteger(size)) throw new UploadError(411, "their length is missing (Content-Length)");
  if (size > MOST) throw new UploadError(413, `labels may have up to ${MOST} bytes, these have ${size}`);
  const parts: Buffer[] = [];
  try {
    for await (const part of request) parts.push(part as Buffer);
    return JSON.parse(Buffer.concat(parts).toString("utf8"));
  } catch (error) {
    throw new UploadError(400, `they cannot be read: ${(error as Error).message}`);
  }
}
