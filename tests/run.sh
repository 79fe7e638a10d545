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
# Hundreds of processes of ours start: none shall have to compile the whole program again.
unset PYTHONDONTWRITEBYTECODE
[ $# -eq 0 ] || exec "$venv/bin/python" -m pytest "$@"

# What only waits runs side by side; what counts exactly runs two at a time; what measures a rate runs alone.
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
failed='' passes='' began=$SECONDS
# pass NAME MARKERS OPTION...: the tests with these markers; the long forms are tests/proofs.sh's.
pass() {
  name=$1 which=$2 from=$SECONDS
  shift 2
  "$venv/bin/python" -m pytest -q -m "($which) and not proof and not guests" --junit-xml="$work/$name.xml" "$@" ||
    failed="$failed $name"
  passes="$passes $name=$work/$name.xml"
  say "pass $name: $((SECONDS - from)) s"
}
pass pure "not lab" -n 4 --dist loadfile
pass lab "lab and not alone" -n 5 --dist worksteal
pass counting "lab and alone" -n 2 --dist loadfile tests/onhost
pass measuring "lab and alone" --ignore=tests/onhost
# shellcheck disable=SC2086 - a list of words
"$venv/bin/python" -m tests.testing.where_time_goes $passes
say "all tests: $((SECONDS - began)) s on $(nproc) cores"
[ -z "$failed" ] || give_up "failed:$failed"
