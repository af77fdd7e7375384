import { authorization } from "./token.ts";

/** A file's name in the form that the head accepts: only letters, digits, and ". _ -". */
export function nameFor(file: string): string {
  const stem = file
    .replace(/\.brk$/i, "")
    .replace(/[^A-Za-z0-9 ._-]/g, "-")
    .replace(/^[^A-Za-z0-9]+/, "")
    .slice(0, 90);
  return `${stem === "" ? "recording" : stem}.brk`;
}

/**
 * Sends a recording to the head.
 * @returns the name of the stored file
 */
export function upload(file: File, name: string, onShare: (share: number) => void): Promise<string> {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest(); // fetch does not report progress
    request.open("PUT", new URL(`recordings/${encodeURIComponent(name)}`, document.baseURI));
    request.setRequestHeader("content-type", "application/octet-stream");
    for (const [header, value] of Object.entries(authorization())) request.setRequestHeader(header, value);
    request.upload.onprogress = ({ loaded, total }) => onShare(loaded / Math.max(1, total));
    request.onerror = () => reject(new Error("the head closed the upload"));
    request.onload = () => {
      if (request.status === 201)
        resolve((JSON.parse(request.responseText) as { recording: string }).recording);
      else reject(new Error(request.responseText.trim()));
    };
    request.send(file);
  });
}
