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

# Hundreds of processes of ours start: none shall have to compile the whole program again.
unset PYTHONDONTWRITEBYTECODE
# What only waits runs side by side; what counts exactly runs two at a time; what measures a rate runs alone.
failed=0
pass() { "$venv/bin/python" -m pytest -q --durations=5 "$@" || failed=1; }
pass -m "not lab and not proof and not guests" -n 4 --dist loadfile
pass -m "lab and not alone and not proof and not guests" -n 5 --dist worksteal
pass -m "lab and alone and not proof and not guests" -n 2 --dist loadfile tests/onhost
pass -m "lab and alone and not proof and not guests" --ignore=tests/onhost
exit $failed
