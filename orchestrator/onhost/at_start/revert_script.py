"""The text of the script that a start runs; what it finds armed is described in revert.py. Pure."""

from __future__ import annotations

from orchestrator.onhost.at_start.hooks import removal_lines
from orchestrator.onhost.at_start.managed_lines import FIRST, LAST

_TEXT = """\
#!/bin/sh
# linktrial: restores what a trial changed for one start of this machine, and then removes itself.
# By hand, at any time: sh {script}
self={script}
folder={folder}
boot=$(cat /proc/sys/kernel/random/boot_id)
notes={notes}/$boot
umask 077
mkdir -p "$notes"
tries=0 # the host's helper may be doing this at the same moment
until mkdir "$notes.busy" 2>/dev/null || [ "$tries" -ge 30 ]; do sleep 1; tries=$((tries + 1)); done
same() {{ if command -v cmp >/dev/null; then cmp -s "$1" "$2"; else
  [ -f "$1" ] && [ "$(sha256sum <"$1")" = "$(sha256sum <"$2")" ]; fi; }}
ours() {{ # whether $path holds what a trial wrote there, or is a block that the boot loader itself writes into
  [ -s "$path" ] || return 0 # used up
  read -r first <"$path"
  [ "$first" != "# GRUB Environment Block" ] || return 0
  for one in "$entry"/ours-*; do
    [ -f "$one" ] || return 0
    if same "$path" "$one"; then return 0; fi
  done
  return 1
}}
mounted() {{ # /boot may be mounted late, or not at all: what lies below it then is another file
  [ -f "$entry/mount" ] || return 0
  where=$(cat "$entry/mount")
  grep -qF " $where " /proc/self/mounts && return 0
  mount "$where" 2>/dev/null
  grep -qF " $where " /proc/self/mounts
}}
leave() {{ # somebody else has changed $path meanwhile: theirs stays, without our lines
  if grep -qxF "{first}" "$path" && grep -qxF "{last}" "$path"; then
    without() {{ sed '/^{first}$/,/^{last}$/d' "$path"; }}
  elif [ -f "$entry/words" ]; then
    words=$(cat "$entry/words")
    export words
    without() {{ awk '{{ words = ENVIRON["words"]; at = index($0 " ", words " ")
      if (at) $0 = substr($0, 1, at - 1) substr($0, at + length(words))
      print }}' "$path"; }}
  else return 0
  fi
  cp -p "$path" "$path.linktrial-new" && without >"$path.linktrial-new" && sync &&
    mv -f "$path.linktrial-new" "$path" && return 0
  rm -f "$path.linktrial-new"
  return 1
}}
for entry in "$folder"/*/; do
  entry=${{entry%/}}
  [ -f "$entry/boot" ] || continue
  key=${{entry##*/}}
  [ "$(cat "$entry/boot")" = "$boot" ] && note= || note=$notes/$key
  if [ -f "$entry/undo" ]; then
    [ -z "$note" ] || : >"$note"
    now=$(/bin/sh "$entry/read") || continue
    for one in "$entry"/ours-*; do # another value is somebody else's
      [ "$now" != "$(cat "$one")" ] || {{ /bin/sh "$entry/undo" || continue 2; break; }}
    done
  elif [ -f "$entry/original" ]; then
    path=$(cat "$entry/path")
    mounted || continue
    rm -f "$path.linktrial-new" # of a start that was cut
    if ! same "$path" "$entry/original"; then
      [ -z "$note" ] || [ ! -f "$path" ] || cat "$path" >"$note"
      if [ -f "$path" ] && ! ours; then
        leave || continue
        sync
        rm -f "$entry/boot" && rm -rf "$entry"
        continue
      fi
      cat "$entry/original" >"$path.linktrial-new" || {{ rm -f "$path.linktrial-new"; continue; }} # it may be full
      read -r mode user group <"$entry/owner"
      chown "$user:$group" "$path.linktrial-new" 2>/dev/null
      chmod "$mode" "$path.linktrial-new" 2>/dev/null
      sync
      mv -f "$path.linktrial-new" "$path" || continue
    fi
  else
    path=$(cat "$entry/path")
    mounted || continue
    [ -z "$note" ] || [ ! -f "$path" ] || cat "$path" >"$note"
    rm -f "$path.linktrial-new" || continue
    if [ -f "$path" ] && ! ours; then
      leave || continue
    else
      rm -f "$path" || continue
    fi
  fi
  sync
  rm -f "$entry/boot" && rm -rf "$entry"
done
rmdir "$notes.busy"
rmdir "$notes" {notes} 2>/dev/null # where there was nothing to note
for entry in "$folder"/*/boot; do [ ! -f "$entry" ] || exit 1; done
{remove}
rm -rf "$folder"
sync
"""


def script_text(script: str, folder: str, notes: str) -> str:
    """The script, for these places."""
    return _TEXT.format(
        script=script,
        folder=folder,
        notes=notes,
        remove="\n".join(removal_lines()),
        first=FIRST.decode(),
        last=LAST.decode(),
    )
