#!/usr/bin/env bash
# All tests, from nothing: makes its Python environment, installs what the lab's hosts need (as root), runs pytest.
#   bash tests/run.sh [options of pytest]
# As root a lab test that cannot run is a failure; an ordinary user sees it skipped with the reason.
set -eu
checkout=$(cd "$(dirname "$0")/.." && pwd)
. "$checkout/.ci/environment.sh"

install_when_missing sshd=openssh-server ssh=openssh-client ethtool=ethtool nft=nftables ip=iproute2 \
  "gcc=gcc libc6-dev" sudo=sudo tcsh=tcsh zsh=zsh fish=fish ksh=ksh busybox=busybox \
  qemu-system-x86_64=qemu-system-x86 mmdebstrap=mmdebstrap debugfs=e2fsprogs grub-editenv=grub-common
make_environment "$checkout" dev
if is_root; then export LINKTRIAL_REQUIRE_LAB=1; fi
cd "$checkout"
[ $# -eq 0 ] || exec "$venv/bin/python" -m pytest "$@"

# What only computes runs, with less right to the cores, beside what mostly waits; its words come when that is over.
# What measures a rate or a delay runs alone afterwards.
passing() { $1 "$venv/bin/python" -m pytest -q --durations=5 "${@:2}"; }
failed=0 computing='' words=$(mktemp)
trap '[ -z "$computing" ] || kill "$computing"; rm -f "$words"' EXIT
passing "exec nice -n 10" -m "not lab and not proof and not guests" -n auto --dist loadfile >"$words" 2>&1 &
computing=$!
passing "" -m "lab and not alone and not proof and not guests" -n 4 --dist worksteal || failed=1
wait "$computing" || failed=1
computing=''
cat "$words"
passing "" -m "lab and alone and not proof and not guests" || failed=1
exit $failed
