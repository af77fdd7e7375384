const ROOT = new URL("../../", import.meta.url).href;

/**
 * The script of a thread. Node 20 cannot start a thread from TypeScript, so the source tree uses the compiled script in dist.
 * @param from `import.meta.url` of the caller; @param name of the script, relative to it and without its extension
 */
export function threadScript(from: string, name: string): URL {
  const script = new URL(`${name}.js`, from).href;
  return new URL(from.endsWith(".ts") ? script.replace(ROOT, `${ROOT}dist/`) : script);
}
