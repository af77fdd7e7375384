#!/usr/bin/env bash
# usage: try-package.sh <recording> [folder]    installs, runs, upgrades, removes and purges the board's package in a fresh Debian 13
# Node comes from that Debian. The folder (by default below /tmp) keeps the fresh Debian for the next run; nothing is installed on this machine.
# What a chroot has not: systemd (the unit's command is run as the unit's user instead) and udev.
# Exit codes: 0 all held, 1 something did not, 3 no Debian 13 can be made here
set -euo pipefail
cd "$(dirname "$0")/.."
recording=$(realpath "$1")
folder=$(mkdir -p "${2:-/tmp/brinkmap-board}" && cd "${2:-/tmp/brinkmap-board}" && pwd)
none() { echo "try-package: not run: $1" >&2; exit 3; }
[ "$(id -u)" = 0 ] || none "a chroot needs root"
# In a mount namespace of its own: what is mounted below goes with the script.
if [ -z "${IN_NAMESPACE:-}" ]; then
  unshare --mount true || none "no mount namespace is permitted here"
  IN_NAMESPACE=1 exec unshare --mount "$0" "$recording" "$folder"
fi

suite=trixie
base=$folder/$suite.tar
if [ ! -s "$base" ]; then
  bootstrap=$(command -v mmdebstrap || echo "perl $folder/bootstrap/usr/bin/mmdebstrap")
  if ! command -v mmdebstrap > /dev/null && [ ! -e "$folder/bootstrap/usr" ]; then
    mkdir -p "$folder/bootstrap"
    (cd "$folder/bootstrap" && apt-get -qq -o APT::Sandbox::User=root download mmdebstrap && dpkg-deb -x mmdebstrap_*.deb .) ||
      none "the package mmdebstrap cannot be had"
  fi
  # The mirror that this machine installs from itself.
  mirror=$(apt-get indextargets --format '$(REPO_URI)' | grep /debian/ | grep -v security | head -1)
  $bootstrap --quiet --variant=apt --include=nodejs,adduser "$suite" "$base.part" "$mirror" --format=tar >&2 ||
    none "Debian 13 cannot be bootstrapped"
  mv "$base.part" "$base"
fi

work=$(mktemp -d)
root=$work/root
head=
stop() {
  if [ -n "$head" ]; then kill "$head" 2> /dev/null && wait "$head" || true; fi
  head=
}
trap 'stop; umount "$root/proc" 2> /dev/null; rm -rf "$work"' EXIT
mkdir "$root"
tar -xf "$base" -C "$root"
mount -t proc proc "$root/proc"
version=$(node -p 'require("./package.json").version')
node build/package.mjs --out "$root/tmp"
# The same as a newer version.
dpkg-deb --raw-extract "$root/tmp/brinkmap_${version}_all.deb" "$work/newer"
sed -i "s/^Version: .*/&+1/" "$work/newer/DEBIAN/control"
dpkg-deb --root-owner-group -Znone --build "$work/newer" "$root/tmp/brinkmap_$version+1_all.deb" > /dev/null
cp "$recording" "$root/tmp/demo.brk"

failed=0
check() { # what, command...
  local what=$1
  shift
  if "$@"; then echo "held    $what"; else echo "BROKEN  $what"; failed=1; fi
}
plain="env -i PATH=/usr/sbin:/usr/bin DEBIAN_FRONTEND=noninteractive LC_ALL=C"
# shellcheck disable=SC2086 # words of a command
inside() { chroot "$root" $plain "$@"; }
quietly() { inside "$@" > "$work/log" 2>&1 || { cat "$work/log" >&2; return 1; }; }
# Files of the system, without what package tools note about every package.
files() {
  (cd "$root" && find . -xdev \( -path ./tmp -o -path ./var/log -o -path ./var/cache -o -path ./var/lib/dpkg -o -path ./var/lib/apt -o -path ./run -o -path ./proc \) -prune -o -print | grep -v '^./etc/\(passwd\|group\|g\?shadow\|sub[ug]id\)-$' | sort)
}
# Starts the service as its unit does: the same command, user and groups.
start() {
  local command groups
  command=$(sed -n 's/^ExecStart=//p' "$root/usr/lib/systemd/system/brinkmap.service")
  groups=$(sed -n 's/^SupplementaryGroups=//p' "$root/usr/lib/systemd/system/brinkmap.service")
  # shellcheck disable=SC2086 # the command's words
  chroot --userspec=brinkmap:brinkmap --groups="${groups// /,}" "$root" $plain $command --port "$port" > "$work/head.log" 2>&1 &
  head=$!
}
page() { # waits for the page, 20 s at most
  for _ in $(seq 100); do
    if curl -sf "http://127.0.0.1:$port/" 2> /dev/null | grep -q '<script'; then return 0; fi
    sleep 0.2
  done
  cat "$work/head.log" >&2
  return 1
}
answers() { curl -sf "http://127.0.0.1:$port/$1" | grep -q "$2"; }
port=$((20000 + $$ % 10000))

files > "$work/before"
began=$(date +%s%3N)
check "apt install" quietly apt-get install --yes --no-install-recommends "/tmp/brinkmap_${version}_all.deb"
start
check "the page answers" page
echo "        $(($(date +%s%3N) - began)) ms from apt install to the page; $(du -sm "$root/usr/share/brinkmap" | cut -f1) MB installed"
check "metrics answer" answers metrics brinkmap_frames
stop
check "brinkmap is on the path" quietly brinkmap --version
check "the user cannot log in" inside sh -c 'getent passwd brinkmap | grep -q nologin$'
check "only the user reads what is kept" inside sh -c '[ "$(stat -c "%U %a" /var/lib/brinkmap)" = "brinkmap 700" ]'
check "the service starts with the board" inside sh -c '[ -L /etc/systemd/system/multi-user.target.wants/brinkmap.service ]'
hash() { "$@" --json | sed -n 's/.*"hash": "\([0-9a-f]*\)".*/\1/p' | head -1; }
here=$(hash node dist/tools/replay.js "$recording")
there=$(hash inside brinkmap replay /tmp/demo.brk)
check "the recording gives the same map here and there: ${here:0:16} ${there:0:16}" [ -n "$here" -a "$here" = "$there" ]

port=$((port + 1))
inside sh -c "echo '{ \"listen\": { \"port\": 4999 } }' > /etc/brinkmap/head.json"
inside sh -c 'echo kept > /var/lib/brinkmap/kept && chown brinkmap:brinkmap /var/lib/brinkmap/kept'
check "upgrade" quietly apt-get install --yes --no-install-recommends "/tmp/brinkmap_$version+1_all.deb"
check "the settings stay through an upgrade" inside grep -q 4999 /etc/brinkmap/head.json
start
check "the page answers after the upgrade" page
stop
check "remove" quietly apt-get remove --yes brinkmap
check "removal leaves no program" inside sh -c '! [ -e /usr/bin/brinkmap ] && ! [ -e /usr/share/brinkmap ]'
check "settings and maps stay through a removal" inside sh -c 'grep -q 4999 /etc/brinkmap/head.json && [ -e /var/lib/brinkmap/kept ]'
check "purge" quietly apt-get purge --yes brinkmap
files > "$work/after"
check "purge leaves nothing" diff "$work/before" "$work/after"
check "purge removes the user" inside sh -c '! getent passwd brinkmap && ! getent group brinkmap'
exit $failed
