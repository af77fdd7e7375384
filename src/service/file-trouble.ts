/** Messages for errors of files; %s is the file. */
const MESSAGES: Readonly<Record<string, string>> = {
  ENOENT: "%s: there is no such file or folder",
  EISDIR: "%s is a folder; a file is needed",
  ENOTDIR: "%s: a part of this path is a file, not a folder",
  EACCES: "%s: this user may not open or write it",
  EPERM: "%s: this user may not open or write it",
  EEXIST: "%s is there already",
  ENOSPC: "%s: the disk is full",
  EDQUOT: "%s: this user's share of the disk is full",
  EFBIG: "%s: the file would be larger than the system allows",
  EIO: "%s: the disk reports an error",
  EROFS: "%s is on a disk that cannot be written",
  ENAMETOOLONG: "%s: the name is too long",
  EMFILE: "%s: too many files are open",
};

/**
 * An error of a file as one line for people; null for other errors.
 * @param subject the file that was worked on, where the error does not name one
 */
export function fileTrouble(error: unknown, subject = "the file"): string | null {
  if (!(error instanceof Error)) return null;
  const { code, path } = error as NodeJS.ErrnoException;
  return MESSAGES[String(code ?? "")]?.replace("%s", () => path ?? subject) ?? null;
}

/** Any error as one line for people. */
export const troubleText = (error: unknown, subject?: string): string =>
  fileTrouble(error, subject) ?? (error instanceof Error ? error.message : String(error));
