#!/usr/bin/env bash
# The main job on this machine, from nothing: makes its Python environment, then runs `linktrial demo`.
#   bash examples/demo.sh [--out DIR] [further options of `linktrial demo`]
# As root it also installs iproute2 when that is missing. As an ordinary user it needs unprivileged user namespaces.
set -eu
checkout=$(cd "$(dirname "$0")/.." && pwd)
. "$checkout/.ci/environment.sh"

install_when_missing ip=iproute2
make_environment "$checkout"
exec "$venv/bin/linktrial" demo "$@"
