#!/usr/bin/env bash
# The long form of a proof: `bash tests/proofs.sh NAME [options]` runs tests/proofs/NAME; without a name it lists them.
set -eu
checkout=$(cd "$(dirname "$0")/.." && pwd)
. "$checkout/.ci/environment.sh"
proofs="$checkout/tests/proofs"

if [ $# -eq 0 ]; then
  echo "proofs (what each plays, and figures: tests/proofs/figures.md):"
  for file in "$proofs"/*; do
    [ -f "$file" ] && [ -x "$file" ] && printf '  %s\n' "$(basename "$file")"
  done
  exit 0
fi
name=$1
shift
case $name in */* | .*) give_up "a proof's name has no slash: $name" ;; esac
[ -x "$proofs/$name" ] || give_up "there is no proof called $name (bash tests/proofs.sh lists them)"
make_environment "$checkout" dev
if is_root; then export LINKTRIAL_REQUIRE_LAB=1; fi
cd "$checkout"
PATH="$venv/bin:$PATH" exec "$proofs/$name" "$@"
