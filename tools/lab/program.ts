import { type Command, mainOf, type Options } from "../frame/command.ts";

/** The `main` of a program of the lab: a command that is called by `npm run lab`. */
export const programOf = <const O extends Options>(
  program: Omit<Command<O>, "within">,
): ((args: string[]) => Promise<number>) => mainOf<O>({ ...program, within: "npm run lab --" });
