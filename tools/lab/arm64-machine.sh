#!/usr/bin/env bash
# usage: arm64-machine.sh <folder>    makes an emulated arm64 machine with Node in a folder, and prints the command that runs its Node
# Debian's packages are downloaded by apt and unpacked; nothing is installed, and no privileges are needed.
set -euo pipefail
folder=$(mkdir -p "$1" && cd "$1" && pwd)
suite=trixie # its Node is one that the product supports
# The mirror that this machine installs from itself.
mirror=$(apt-get indextargets --format '$(REPO_URI)' | grep -v security | head -1)
keyring=/usr/share/keyrings/debian-archive-keyring.gpg

# apt with settings and state of its own, for one architecture.
apt_for() {
  local architecture=$1
  shift
  local state=$folder/apt-$architecture
  mkdir -p "$state"/{state/lists/partial,cache/archives/partial,etc/preferences.d,etc/apt.conf.d}
  [ -f "$state/status" ] || : > "$state/status"
  echo "deb [arch=$architecture signed-by=$keyring] $mirror $suite main" > "$state/etc/sources.list"
  apt-get -qq -o Dir::State="$state/state" -o Dir::State::status="$state/status" -o Dir::Cache="$state/cache" \
    -o Dir::Etc="$state/etc" -o APT::Architecture="$architecture" -o APT::Architectures="$architecture" \
    -o APT::Sandbox::User="$(id -un)" -o APT::Install-Recommends=false "$@"
}

unpack() { # architecture, target, packages...
  local architecture=$1 target=$2
  shift 2
  apt_for "$architecture" update >&2
  apt_for "$architecture" --download-only --yes install "$@" >&2
  mkdir -p "$target"
  for package in "$folder/apt-$architecture"/cache/archives/*.deb; do dpkg-deb -x "$package" "$target"; done
}

emulator=$(command -v qemu-aarch64-static || command -v qemu-aarch64 || true)
if [ -z "$emulator" ] && [ "$(uname -m)" != aarch64 ]; then
  emulator=$folder/emulator/usr/bin/qemu-aarch64
  if [ ! -x "$emulator" ]; then
    mkdir -p "$folder/emulator"
    (cd "$folder/emulator" && apt-get -qq download qemu-user-static >&2 && dpkg-deb -x qemu-user-static_*.deb .)
    [ -x "$emulator" ] || ln -sf qemu-aarch64-static "$emulator"
  fi
fi
root=$folder/root
[ -e "$root/usr/bin/node" ] || [ -e "$root/usr/bin/nodejs" ] || unpack arm64 "$root" nodejs
# The loader is looked for in /lib: Debian's own link, which unpacking alone does not make.
[ -e "$root/lib" ] || ln -s usr/lib "$root/lib"
echo "$emulator -L $root $root/usr/bin/$(cd "$root/usr/bin" && ls node nodejs 2>/dev/null | head -1)"
