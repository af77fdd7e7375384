// Licences of the packages that are part of bundled files.
import { readdirSync, readFileSync, statSync } from "node:fs";
import { join } from "node:path";

/** Licence and notice files of a package, at its top and in its folder of licences. */
function licencesOf(folder) {
  const found = readdirSync(folder).filter((name) => /^(licen[cs]es?|notice|copying)/i.test(name));
  return found.sort().flatMap((name) => {
    const path = join(folder, name);
    return statSync(path).isFile() ? [readFileSync(path, "utf8").trim()] : licencesIn(path);
  });
}
const licencesIn = (folder) =>
  readdirSync(folder)
    .sort()
    .map((name) => readFileSync(join(folder, name), "utf8").trim());

/** Licences whose text every Debian has. */
const COMMON = "/usr/share/common-licenses";
const IN_DEBIAN = ["MPL-2.0"];

/** For a package without a licence file: its maker, its source, and the place of its licence's text. Null where Debian lacks the text. */
function referenceTo({ license, author, repository }) {
  if (!IN_DEBIAN.includes(license)) return null;
  const source = typeof repository === "string" ? repository : repository?.url;
  return `${author?.name ?? author ?? ""}\nThe licence is ${COMMON}/${license}; the source is at ${source}.`;
}

/**
 * Licence texts of all packages from which esbuild took a file, one after the other.
 * @param metafiles of the builds; @param root the folder that their paths start from
 * @throws {Error} naming a package without a licence file
 */
export function licencesText(metafiles, root) {
  const packages = new Set();
  for (const input of metafiles.flatMap(({ inputs }) => Object.keys(inputs))) {
    const [, folder] = /^(.*node_modules\/(?:@[^/]+\/)?[^/]+)\//.exec(input) ?? [];
    if (folder !== undefined) packages.add(folder);
  }
  const texts = new Map();
  for (const folder of [...packages].sort()) {
    const path = join(root, folder);
    const about = JSON.parse(readFileSync(join(path, "package.json"), "utf8"));
    const { name, version, license } = about;
    const licences = licencesOf(path);
    const reference = referenceTo(about);
    if (licences.length === 0 && reference !== null) licences.push(reference);
    if (licences.length === 0) throw new Error(`${name} has no licence file to give along`);
    texts.set(`${name} ${version}`, `${name} ${version} (${license})\n\n${licences.join("\n\n")}\n`);
  }
  return [...texts.values()].join(LICENCE_RULE);
}

/** Stands between two packages' texts. */
export const LICENCE_RULE = `\n${"-".repeat(78)}\n\n`;
