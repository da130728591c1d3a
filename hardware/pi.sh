#!/usr/bin/env bash
# The guard on a Raspberry Pi with no screen: started at boot, in stand-by until the strap is worn.
#
#   bash hardware/pi.sh install     start it at boot, and now
#       --home FOLDER               keep its files there (a writable partition, see PI.md)
#       --power-off                 let the button switch the machine off
#   bash hardware/pi.sh pins        the packages for button, lamp and buzzer
#   bash hardware/pi.sh status      what it does, and what it said last
#   bash hardware/pi.sh restart     after a change of settings
#   bash hardware/pi.sh uninstall   no more start at boot; sessions and settings stay
#
# To be run as the user who runs, not with sudo, after hardware/setup.sh.

set -u
root="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)" || exit 1
unit=heart-rate-guard.service
units="${XDG_CONFIG_HOME:-$HOME/.config}/systemd/user"
me="$(id -un)"
power_off_rule="${GUARD_SUDOERS:-/etc/sudoers.d}/heart-rate-guard-$(id -u)"
guard="$root/.venv/bin/guard"
python="$root/.venv/bin/python"
export XDG_RUNTIME_DIR="${XDG_RUNTIME_DIR:-/run/user/$(id -u)}"

say() { printf 'pi: %s\n' "$*"; }
fail() { printf 'pi: FAILED: %s\n' "$*" >&2; exit 1; }
usage() { sed -n '4,13p' "${BASH_SOURCE[0]}" | sed 's/^# \{0,1\}//'; }

as_root() {
  if [ "$(id -u)" -eq 0 ]; then "$@"
  elif [ -t 0 ]; then sudo "$@"
  else sudo -n "$@"; fi
}

user_manager() { systemctl --user show-environment >/dev/null 2>&1; }

unit_word() {  # a word as systemd.syntax(7) and systemd.service(5) read it: \ " % $ are its own
  local word="${1//\\/\\\\}"
  word="${word//\"/\\\"}"
  word="${word//%/%%}"
  [ "${2:-}" = command ] && word="${word//\$/\$\$}"
  printf '"%s"' "$word"
}

needs_guard() {
  [ -x "$guard" ] || fail "the guard is not set up yet: bash hardware/setup.sh"
}

# --- install -------------------------------------------------------------------

install_() {
  local home="" power_off=no
  while [ $# -gt 0 ]; do
    case "$1" in
      --home)
        [ $# -ge 2 ] && [ -n "$2" ] || fail "--home needs a folder"
        home="$(realpath -m -- "$2")"; shift ;;
      --power-off) power_off=yes ;;
      *) fail "unknown option $1: bash hardware/pi.sh shows them all" ;;
    esac
    shift
  done
  needs_guard
  command -v systemctl >/dev/null 2>&1 \
    || fail "this system has no systemd: start \`guard run --stand-by\` from what starts programs here"
  case "$root$home" in *$'\n'*) fail "a folder with a line break in its name cannot stand in a unit" ;; esac

  local linger=before
  lingers || { linger=ours; keep_running; }
  write_unit "$linger" "$home"
  [ "$power_off" = no ] || allow_power_off
  if user_manager; then
    systemctl --user daemon-reload && systemctl --user enable --quiet "$unit" \
      || fail "systemd did not take the unit: systemctl --user status $unit"
    systemctl --user reset-failed "$unit" 2>/dev/null
    say "it starts at every boot"
  else
    SYSTEMD_OFFLINE=1 systemctl --user enable --quiet "$unit" || fail "the unit could not be enabled"
    say "no user session of systemd here: it starts at the next boot"
  fi
  lacking "$home"
  if user_manager; then
    if [ "$ready" = yes ]; then
      systemctl --user restart "$unit" || fail "it does not start: bash hardware/pi.sh status"
      say "it runs now, in stand-by. \`bash hardware/pi.sh status\` shows what it does."
    else
      systemctl --user stop "$unit" 2>/dev/null
      say "then start it: bash hardware/pi.sh restart"
    fi
  fi
}

lingers() { [ -e "/var/lib/systemd/linger/$me" ]; }

keep_running() {
  loginctl enable-linger >/dev/null 2>&1 || as_root loginctl enable-linger "$me" >/dev/null 2>&1
  lingers || say "NOTE: it will only start when $me logs in: sudo loginctl enable-linger $me"
}

write_unit() {
  local environment="" text
  [ -z "$2" ] || environment="Environment=$(unit_word "GUARD_HOME=$2")"
  text="$(cat "$root/hardware/$unit.in")" || exit 1
  text="${text//@LINGER@/$1}"
  text="${text//@GUARD@/"$(unit_word "$guard" command)"}"
  text="${text//@OPTIONS@/}"
  text="${text//@ENVIRONMENT@/"$environment"}"
  [ -f "$units/$unit" ] && grep -qx '# linger: ours' "$units/$unit" && text="${text/# linger: before/# linger: ours}"
  mkdir -p "$units" && printf '%s\n' "$text" >"$units/$unit.new" && mv "$units/$unit.new" "$units/$unit" \
    || fail "the unit cannot be written to $units: give write permission there"
  if command -v systemd-analyze >/dev/null 2>&1; then
    local said
    said="$(systemd-analyze --user verify "$units/$unit" 2>&1)" || say "NOTE: systemd-analyze says: $said"
  fi
  say "wrote $units/$unit"
}

allow_power_off() {
  local rule new
  rule="$me ALL=(root) NOPASSWD: $(command -v systemctl) poweroff"
  new="$(mktemp)" || fail "no temporary file can be made"
  printf '# Made by hardware/pi.sh: the button may switch this machine off.\n%s\n' "$rule" >"$new"
  if command -v visudo >/dev/null 2>&1 && visudo -cqf "$new" \
    && as_root install -m 0440 -o root -g root "$new" "$power_off_rule"; then
    "${guard_env[@]}" "$guard" settings button_power_off=true >/dev/null || say "NOTE: set button_power_off=true"
    say "holding the button for 6 s switches the machine off ($power_off_rule)"
  else
    say "NOTE: the rule for switching off could not be installed (it needs root and sudo)"
  fi
  rm -f "$new"
}

guard_env=(env)

lacking() {  # what is still to be set, so that stand-by does not end at once
  ready=yes
  [ -z "$1" ] || guard_env=(env "GUARD_HOME=$1")
  local line
  while IFS= read -r line; do
    [ -n "$line" ] || continue
    ready=no
    say "STILL TO DO: $line"
  done < <("${guard_env[@]}" "$python" - "$guard" "$1" <<'PYTHON'
import shlex, sys
from guard.errors import GuardError
from guard.devices import remembered as straps
from guard.settings import file as settings_file

home = f"GUARD_HOME={shlex.quote(sys.argv[2])} " if sys.argv[2] else ""
guard = home + shlex.quote(sys.argv[1])
try:
    if settings_file.load().get("ceiling_bpm") is None:
        print(f"{guard} settings ceiling_bpm=BPM   (yours; `guard ceiling` helps to find it)")
    if straps.remembered(lambda sentence: None) is None:
        print(f"{guard} straps --remember NAME   (with the strap on)")
except GuardError as error:
    print(error)
PYTHON
  )
  local group
  for group in bluetooth gpio; do
    getent group "$group" >/dev/null 2>&1 || continue
    [ "$(id -u)" -eq 0 ] || id -nG | tr ' ' '\n' | grep -qx "$group" \
      || say "NOTE: $me is not in the group $group: sudo usermod -aG $group $me, then restart the machine"
  done
}

# --- uninstall -----------------------------------------------------------------

uninstall() {
  if [ ! -e "$units/$unit" ]; then
    say "it is not installed ($units/$unit is not there)"
  else
    local ours=no
    grep -qx '# linger: ours' "$units/$unit" && ours=yes
    if user_manager; then
      systemctl --user disable --now --quiet "$unit"
    else
      SYSTEMD_OFFLINE=1 systemctl --user disable --quiet "$unit"
    fi
    rm -f "$units/$unit"
    user_manager && { systemctl --user daemon-reload; systemctl --user reset-failed "$unit" 2>/dev/null; }
    say "it no longer starts at boot"
    if [ "$ours" = yes ] && lingers; then
      loginctl disable-linger >/dev/null 2>&1 || as_root loginctl disable-linger "$me" >/dev/null 2>&1
      lingers && say "NOTE: $me's services still start without a login: sudo loginctl disable-linger $me"
    fi
  fi
  if [ -e "$power_off_rule" ]; then
    as_root rm -f "$power_off_rule" && say "the button may no longer switch the machine off"
  fi
  say "sessions, settings and packages stay: \`guard data\` lists or deletes them"
}

# --- the rest ------------------------------------------------------------------

status() {
  if [ ! -e "$units/$unit" ]; then
    say "not installed: bash hardware/pi.sh install"
    exit 3
  fi
  lingers && say "starts at boot" || say "starts when $me logs in: sudo loginctl enable-linger $me makes it start at boot"
  user_manager || fail "no user session of systemd can be reached: log in as $me"
  say "state: $(systemctl --user show -P ActiveState "$unit") ($(systemctl --user show -P Result "$unit")), \
started again $(systemctl --user show -P NRestarts "$unit") times"
  journalctl --user -u "$unit" -n 12 --no-pager -o cat 2>/dev/null | sed 's/^/  /'
}

restart() {
  user_manager || fail "no user session of systemd can be reached: log in as $me"
  systemctl --user reset-failed "$unit" 2>/dev/null
  systemctl --user restart "$unit" || fail "it does not start: bash hardware/pi.sh status"
  say "it runs, in stand-by"
}

has_lgpio() { LG_WD="${TMPDIR:-/tmp}" "$python" -c 'import gpiozero, lgpio; lgpio.gpiochip_open' >/dev/null 2>&1; }

pins() {
  needs_guard
  has_lgpio && { say "the packages are there"; return; }
  say "installing gpiozero and lgpio (locked, hashes checked)"
  log="$(mktemp)" || fail "no temporary file can be made"
  trap 'rm -f "$log" "$log".*' EXIT
  locked_pip() { "$python" -m pip install --quiet --disable-pip-version-check --no-input --no-deps \
    --require-hashes "$@" >"$log" 2>&1 </dev/null; }
  part() { awk -v want="$1" '/^[a-z0-9]/ { is = index($0, "lgpio==") == 1 } is == want' \
    "$root/hardware/requirements.lock" >"$log.$1"; }
  part 0
  locked_pip --only-binary :all: -r "$log.0" \
    || fail "gpiozero could not be installed (is there a network?): $(grep -m 1 ERROR "$log")"
  part 1
  locked_pip --only-binary :all: -r "$log.1" || build_lgpio
  has_lgpio || fail "gpiozero or lgpio cannot be loaded: $("$python" -c 'import gpiozero, lgpio' 2>&1 | tail -n 1)"
  say "ready: guard settings pin_button=17 pin_lamp=27 pin_buzzer=22   (wiring: hardware/PI.md)"
}

build_lgpio() {  # PYPI=1 makes its set-up take the C library along instead of looking for one installed
  say "no wheel of lgpio for this Python: building it (a minute or two)"
  local missing="" name
  for name in gcc:gcc swig:swig; do
    command -v "${name%:*}" >/dev/null 2>&1 || missing="$missing ${name#*:}"
  done
  "$python" -c 'import os, sys, sysconfig
sys.exit(not os.path.exists(os.path.join(sysconfig.get_path("include"), "Python.h")))' || missing="$missing python3-dev"
  if [ -n "$missing" ]; then
    # shellcheck disable=SC2086
    as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y install --no-install-recommends $missing libc6-dev \
      >"$log" 2>&1 </dev/null || fail "what builds lgpio could not be installed: sudo apt install$missing libc6-dev"
  fi
  PYPI=1 locked_pip --no-build-isolation --use-pep517 --no-binary lgpio -r "$log.1" \
    || fail "lgpio could not be built: $(grep -m 1 -iE 'error' "$log")"
}

if [ "$(id -u)" -eq 0 ] && [ -n "${SUDO_USER:-}" ]; then
  fail "run this as the user who runs, without sudo: it asks for root where it needs it"
fi
word="${1:-}"
[ $# -gt 0 ] && shift
case "$word" in
  install) install_ "$@" ;;
  uninstall | status | restart | pins) [ $# -eq 0 ] || fail "$word takes no option"; "$word" ;;
  "" | -h | --help | help) usage ;;
  *) printf 'pi: unknown word %s\n' "$word" >&2; usage >&2; exit 2 ;;
esac
