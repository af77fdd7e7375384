// The manual page of the command, made from the help texts that the commands print.

const CAUTION = `This is not a safety device. Keep an independent hardware stop, and read
/usr/share/doc/brinkmap/install\\-on\\-a\\-board.md before a robot moves.`;

/** A text for troff: backslashes and hyphens as they are, no line taken for a request. */
const toTroff = (text) =>
  text
    .replaceAll("\\", "\\e")
    .replaceAll("-", "\\-")
    .replace(/^([.'])/gm, "\\&$1");

/** Lines kept as they are. */
const verbatim = (text) => `.nf\n${toTroff(text.trim())}\n.fi\n`;

/**
 * @param says runs the command with arguments, and gives what it prints
 * @returns troff source of brinkmap(1)
 */
export function manualPage(version, says) {
  const family = says("--help");
  const names = [...family.matchAll(/^ {2}([a-z]+) /gm)].map(([, name]) => name);
  return `.TH BRINKMAP 1 "" "brinkmap ${version}" "User commands"
.SH NAME
brinkmap \\- sensor head for wheeled indoor robots: map, position and floor edges
.SH SYNOPSIS
.B brinkmap
.I command
[options]
.SH DESCRIPTION
${verbatim(family)}.SH CAUTION
${CAUTION}
${names.map((name) => `.SH BRINKMAP ${name.toUpperCase()}\n${verbatim(says(name, "--help"))}`).join("")}.SH FILES
.TP
.I /etc/brinkmap/head.json
Settings of the service brinkmap.service; their schema is /usr/share/brinkmap/head.schema.json.
.TP
.I /var/lib/brinkmap
Maps and kept recordings of the service.
.TP
.I /usr/share/doc/brinkmap
Documents: how to install the head on a board, its settings, its protocol, the motor board.
`;
}
