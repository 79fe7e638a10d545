#!/usr/bin/env bash
# What needs no host, socket, process or clock: formatting, lint, types, the house's walls and the pure rooms' tests.
#   bash tests/quick.sh          within a minute on two cores; says how long each part took (mypy's first time: more)
set -eu
checkout=$(cd "$(dirname "$0")/.." && pwd)
. "$checkout/.ci/environment.sh"
make_environment "$checkout" dev
cd "$checkout"
unset PYTHONDONTWRITEBYTECODE
PURE_ROOMS="tests/planning tests/decide tests/wire tests/metrics tests/words tests/stored"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# part NAME COMMAND...: its output and its exit status into files, so that two parts can go side by side.
part() {
  name=$1 from=$SECONDS status=0
  shift
  "$@" >"$work/$name.out" 2>&1 || status=$?
  echo "$status $((SECONDS - from))" >"$work/$name.end"
}
existing() { for folder in "$@"; do [ -d "$folder" ] && printf '%s\n' "$folder"; done; }

began=$SECONDS
{
  part formatting "$venv/bin/ruff" format --check -q .
  part lint "$venv/bin/ruff" check -q --output-format concise .
  part types "$venv/bin/mypy" --no-error-summary -p orchestrator -p tests
} &
# shellcheck disable=SC2046,SC2086 - lists of folders
part tests "$venv/bin/python" -m pytest -q -n 2 --dist loadfile --durations=5 \
  -m "not lab and not alone and not proof" tests/house $(existing $PURE_ROOMS)
wait

failed=0
for name in formatting lint types tests; do
  read -r status seconds <"$work/$name.end"
  verdict=held
  [ "$status" -eq 0 ] || { verdict=failed; failed=1; cat "$work/$name.out"; }
  printf '%-10s %3d s  %s\n' "$name" "$seconds" "$verdict"
done
tail -n 8 "$work/tests.out"
printf 'in all     %3d s\n' "$((SECONDS - began))"
exit $failed
