#!/usr/bin/env bash
# Sets up the guard in .venv beside this folder. Safe to run again at any time.
#
#   bash hardware/setup.sh            everything the guard uses
#   bash hardware/setup.sh --tests    and everything its tests use
#
# System packages come from apt where there is one, and only those that are
# missing; Python packages come from the lock files, checked against their hashes.

set -u
root="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)" || exit 1
cd "$root" || exit 1

say() { printf 'setup: %s\n' "$*"; }
fail() { printf 'setup: FAILED: %s\n' "$*" >&2; exit 1; }

tests=no
for word in "$@"; do
  case "$word" in
    --tests) tests=yes ;;
    -h | --help) sed -n '2,8s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"; exit 0 ;;
    *) printf 'setup: unknown option %s: use --tests or nothing\n' "$word" >&2; exit 2 ;;
  esac
done

scratch="$(mktemp -d)" || fail "no temporary folder can be made: free some disk space"
trap 'rm -rf "$scratch"' EXIT
system="$(uname -s)"
missing_notes=""  # what could not be had, said again at the end
lacks() { missing_notes="${missing_notes}  - $*"$'\n'; }

# --- system packages -----------------------------------------------------------

sudo_words="sudo -n"  # without a terminal nobody can type a password
[ -t 0 ] && sudo_words=sudo

as_root() {
  # shellcheck disable=SC2086
  if [ "$(id -u)" -eq 0 ]; then "$@"; else $sudo_words "$@"; fi
}

apt_works() {
  command -v apt-get >/dev/null 2>&1 && { [ "$(id -u)" -eq 0 ] || command -v sudo >/dev/null 2>&1; }
}

installed() { [ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]; }

apt_updated=no
apt_log="$scratch/apt.log"
apt_install() {  # never removes anything: a desktop's own sound server stays
  if [ "$apt_updated" = no ]; then
    as_root apt-get -q -o DPkg::Lock::Timeout=120 update >"$apt_log" 2>&1 \
      || say "the package lists could not be renewed; trying with those at hand"
    apt_updated=yes
  fi
  as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y -o DPkg::Lock::Timeout=120 \
    install --no-install-recommends --no-remove "$@" >"$apt_log" 2>&1 </dev/null
}

wanted=() reasons=() losses=()
want() {  # want PACKAGE WHY WHAT-IS-LOST: noted here, installed by install_wanted
  installed "$1" && return
  wanted+=("$1") reasons+=("$2") losses+=("$3")
}

install_wanted() {  # all at once; one by one where that fails, so that one bad package costs only itself
  local i
  [ "${#wanted[@]}" -gt 0 ] || return
  for i in "${!wanted[@]}"; do say "needs ${wanted[i]}: ${reasons[i]}"; done
  if apt_works; then
    say "installing with apt (this can take minutes)"
    apt_install "${wanted[@]}" || for i in "${!wanted[@]}"; do
      apt_install "${wanted[i]}" || say "apt: $(grep -m 1 -E '^E:|^sudo:' "$apt_log")"
    done
  fi
  local still=""
  for i in "${!wanted[@]}"; do
    installed "${wanted[i]}" && continue
    lacks "${wanted[i]} is missing (${reasons[i]}): ${losses[i]}"
    still="$still ${wanted[i]}"
  done
  [ -z "$still" ] || lacks "to add them later: apt-get install$still (as root), then run this again"
  wanted=() reasons=() losses=()
}

# --- Python --------------------------------------------------------------------

new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }
makes_venvs() { "$1" -c 'import ensurepip, venv' >/dev/null 2>&1; }

find_python() {  # the first Python >= 3.11, one that makes virtual environments before one that does not
  local candidate second=""
  for candidate in ${PYTHON:-} python3 python3.13 python3.12 python3.11 python3.14 \
    /usr/bin/python3 /opt/homebrew/bin/python3 /usr/local/bin/python3; do
    new_enough "$candidate" || continue
    makes_venvs "$candidate" && { printf '%s' "$candidate"; return 0; }
    [ -n "$second" ] || second="$candidate"
  done
  [ -n "$second" ] && printf '%s' "$second"
}

python="$(find_python)"
if [ "$system" = Linux ]; then
  if [ -z "$python" ] && command -v apt-get >/dev/null 2>&1; then
    want python3 "runs the guard" "nothing works without it"
  fi
  if { [ -z "$python" ] || ! makes_venvs "$python"; } && command -v apt-get >/dev/null 2>&1; then
    want python3-venv "keeps the guard's packages apart from the system's" "the guard cannot be installed"
  fi
  install_wanted
  python="$(find_python)"
fi
[ -n "$python" ] || fail "no Python 3.11 or newer found: install it (Debian 12 and later have it as python3), \
then run this again"
makes_venvs "$python" || fail "$python cannot make virtual environments: install python3-venv, then run this again"
say "using $("$python" --version 2>&1) ($(command -v "$python"))"

# --- what sound, voice and radio need ------------------------------------------

has_header() { printf '#include <%s>\n' "$1" | gcc -E - >/dev/null 2>&1; }
python_header() {
  "$python" -c 'import os, sys, sysconfig; sys.exit(not os.path.exists(
      os.path.join(sysconfig.get_path("include"), "Python.h")))'
}

case "$system" in
  Linux)
    if command -v dpkg-query >/dev/null 2>&1; then
      without="cues are played by aplay instead, a little later"
      command -v gcc >/dev/null 2>&1 || want gcc "builds the sound player" "$without"
      has_header stdlib.h || want libc6-dev "builds the sound player" "$without"
      has_header alsa/asoundlib.h || want libasound2-dev "headers of the sound system, to build the player" "$without"
      python_header || want python3-dev "headers of Python, to build the sound player" "$without"
      want alsa-utils "aplay, the second way to play a cue" "no second way when the first fails"
      want libespeak-ng1 "the voice" "tones without words"
      want bluez "Bluetooth, for the strap" "no strap; rehearsals and recordings work"
      if [ "$tests" = yes ]; then
        want dbus "tests: a private message bus for the stand-in Bluetooth service" "those tests are skipped"
        # 121 MB, half a minute; elsewhere the package is a snap, which no container takes.
        if grep -q '^ID=\(debian\|raspbian\)$' /etc/os-release; then
          want chromium "tests: a browser for the pages" "those tests are skipped"
        fi
      fi
      install_wanted
    else
      lacks "this Linux has no apt: for sound install gcc and the ALSA and Python headers, for the voice
    espeak-ng, for a strap BlueZ; then run this again"
    fi
    ;;
  Darwin)
    say "macOS: nothing to install from outside. What differs: the voice is the system's own; sound needs the"
    say "command line tools to build its player (xcode-select --install), else afplay is used; the first"
    say "'guard run' asks for Bluetooth: allow your terminal in System Settings, Privacy & Security, Bluetooth."
    ;;
  *) lacks "$system is not tried: the README has a paragraph for Windows" ;;
esac

# --- the guard itself ----------------------------------------------------------

venv_python=.venv/bin/python
if ! new_enough "$venv_python" || ! "$venv_python" -m pip --version >/dev/null 2>&1; then
  say "making .venv"
  "$python" -m venv --clear .venv >"$scratch/venv.log" 2>&1 \
    || fail "the virtual environment could not be made: $(tail -n 1 "$scratch/venv.log")"
fi

pip_log="$scratch/pip.log"
pip_install() {
  "$venv_python" -m pip install --quiet --disable-pip-version-check --no-input --no-deps "$@" \
    >"$pip_log" 2>&1 </dev/null
}
pip_said() { grep -E '^ *ERROR' "$pip_log" | head -n 1; }

# The sound player is the one package built here: it has its own step, so that
# failing to build it costs only itself.
lines_of() {  # lines_of PACKAGE: its lines in the lock;  lines_of '' : all other lines
  awk -v name="$1" '/^[a-z0-9]/ { player = index($0, "simpleaudio==") == 1 } player == (name != "")' requirements.lock
}
lines_of simpleaudio >"$scratch/player.lock"
lines_of '' >"$scratch/guard.lock"

say "installing the guard's Python packages (locked, hashes checked)"
case "$(uname -m)" in
  armv6l | armv7l)
    # Wheels for 32-bit ARM come from another builder, so the hashes differ.
    say "32-bit system: the same packages, without hashes"
    "$venv_python" -m pip install --quiet --disable-pip-version-check --no-input --prefer-binary -e ".[page]" \
      hatchling editables setuptools >"$pip_log" 2>&1 </dev/null \
      || fail "Python packages could not be installed: $(pip_said)"
    sed -i 's/ *\\$//; /--hash/d' "$scratch/player.lock"
    ;;
  *)
    pip_install --require-hashes -r "$scratch/guard.lock" \
      || fail "Python packages could not be installed (is there a network?): $(pip_said)"
    ;;
esac
pip_install --no-build-isolation -e . || fail "the guard could not be installed: $(pip_said)"

if ! "$venv_python" -c 'import simpleaudio' >/dev/null 2>&1; then
  say "building the sound player"
  pip_install --no-build-isolation --use-pep517 --no-binary simpleaudio -r "$scratch/player.lock" \
    || lacks "the sound player could not be built: cues are played by aplay, paplay or afplay where there is
    one, otherwise they show on the screen with a bell. pip said: $(pip_said)"
fi

if [ "$tests" = yes ]; then
  say "installing what the tests use (locked, hashes checked)"
  pip_install --require-hashes -r tests/requirements.lock \
    || fail "the packages for the tests could not be installed: $(pip_said)"
fi

if [ "$(id -u)" -eq 0 ] && [ "$system" = Linux ]; then
  chown -R --reference=. .venv  # after `sudo bash` the folder's owner must be able to use it
fi

version="$(.venv/bin/guard --version 2>&1)" || fail "the guard does not start: $version"
if [ -n "$missing_notes" ]; then
  say "what this machine lacks:"
  printf '%s' "$missing_notes"
fi
if [ "$tests" = yes ]; then
  say "ready (${version%%$'\n'*}). Run the tests with: .venv/bin/python -m pytest"
else
  say "ready (${version%%$'\n'*}). Try it without a strap: .venv/bin/guard rehearse"
fi
