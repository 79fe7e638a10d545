# Sourced by examples/demo.sh, tests/run.sh, tests/proofs.sh and .ci/run: a Python environment for this checkout.
# Variables a user may set: LINKTRIAL_PYTHON (which Python), LINKTRIAL_VENV (where the environment is made).

say() { printf 'linktrial: %s\n' "$*" >&2; }
give_up() { say "$*"; exit 3; }

is_root() { [ "$(id -u)" -eq 0 ]; }

# install_when_missing PROGRAM=PACKAGE...: as root by apt; otherwise say what is missing and go on.
install_when_missing() {
  packages='' programs=''
  for pair in "$@"; do
    program=${pair%%=*}
    PATH="$PATH:/usr/sbin:/sbin" command -v "$program" >/dev/null 2>&1 && continue
    programs="$programs $program" packages="$packages ${pair#*=}"
  done
  [ -z "$packages" ] && return 0
  if is_root && command -v apt-get >/dev/null 2>&1; then
    # shellcheck disable=SC2086 - a list of words
    _install_packages $packages
  else
    say "not found:$programs (packages:$packages)"
  fi
}

_install_packages() {
  say "installing $*"
  words=$( (DEBIAN_FRONTEND=noninteractive apt-get -qq update &&
    DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends "$@") 2>&1) ||
    give_up "apt-get could not install $*: $words"
}

# The first Python that really runs and is new enough; a shim on the PATH may be neither.
find_python() {
  for candidate in ${LINKTRIAL_PYTHON:-python3 python3.13 python3.12 python3.11 /usr/bin/python3}; do
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
      command -v "$candidate"
      return 0
    fi
  done
  return 1
}

# make_environment CHECKOUT [EXTRAS]: sets $venv; quick when it is there already and pyproject.toml is the same.
make_environment() {
  checkout=$1 extras=${2:+[$2]} venv=${LINKTRIAL_VENV:-$1/.venv}
  wanted="$checkout $extras $(cat "$checkout/pyproject.toml" "$checkout/requirements.lock" | cksum)"
  stamp="$venv/linktrial-installed${2:+-$2}"
  if [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ] && "$venv/bin/python" -c '' 2>/dev/null; then return 0; fi
  [ -w "$checkout" ] || give_up "$checkout cannot be written to by $(id -un): clone it into a folder of your own"
  python=$(find_python) || give_up "Python 3.11 or newer is needed (LINKTRIAL_PYTHON names another than python3)"
  if ! "$venv/bin/python" -m pip --version >/dev/null 2>&1; then  # not made yet, or its Python is gone
    "$python" -c 'import ensurepip, venv' >/dev/null 2>&1 || _install_venv_module "$python"
    say "making a Python environment in $venv"
    if [ -f "$venv/pyvenv.cfg" ]; then rm -rf "$venv"; fi  # an environment, and only such a folder, is made again
    "$python" -m venv "$venv"
  fi
  say "installing linktrial$extras"
  _install_locked "${2:-}" || give_up "not every package of requirements.lock could be had as it is listed there (see above)"
  printf '%s' "$wanted" >"$stamp"
}

ONLY_TESTS='# Below this line: what only the tests need.'

# _install_locked EXTRA: exactly the files that requirements.lock names, then linktrial itself with what was installed.
_install_locked() {
  locked=$checkout/requirements.lock
  if [ -z "$1" ]; then
    locked=$(mktemp)
    sed "/^$ONLY_TESTS\$/q" "$checkout/requirements.lock" >"$locked"
  fi
  _pip_install --require-hashes -r "$locked" &&
    _pip_install --no-deps --no-build-isolation -e "$checkout" || return 1
  [ "$locked" = "$checkout/requirements.lock" ] || rm -f "$locked"
}

_pip_install() {
  "$venv/bin/python" -m pip --disable-pip-version-check --quiet install --root-user-action=ignore "$@"
}

# Debian's Python comes without the module that makes environments.
_install_venv_module() {
  package=$("$1" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
  if is_root && command -v apt-get >/dev/null 2>&1; then
    _install_packages "$package"
  else
    give_up "$1 cannot make environments: install the package $package (as root: apt-get install $package)"
  fi
}
