# Sets up what the other scripts need; sourced by tools/try and tools/test, never run.
#
# Everything lands in .venv beside this folder; Debian packages are asked for by name and only
# when they are missing. A stamp in .venv remembers for which pyproject.toml, folder and Python
# it was made, so that a second run installs nothing.

ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
VENV=$ROOT/.venv
export PATH="$PATH:/usr/sbin:/sbin" # Debian puts servers there, and an ordinary user's PATH lacks it

say() { printf '%s\n' "$*" >&2; }

give_up() {
    say "$(basename "$0"): $*"
    exit 1
}

# need_debian PACKAGE...: install those that are missing, or say exactly which.
need_debian() {
    local missing=() package
    command -v dpkg-query >/dev/null ||
        give_up "this is not a Debian or Ubuntu system; install what these packages hold, then run again with UMBILICAL_NO_APT=1: $*"
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return 0

    local become=()
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null && { [ -t 0 ] || sudo -n true 2>/dev/null; } ||
            give_up "some Debian packages are missing and only root may install them. Run: sudo apt-get install ${missing[*]}"
        become=(sudo)
    fi
    say "Installing Debian packages: ${missing[*]}"
    local apt=("${become[@]}" env DEBIAN_FRONTEND=noninteractive
        RUNLEVEL=1 # nothing is started: the tests start their own broker on a port of their own
        apt-get -qq -o Acquire::Retries=5 -o DPkg::Lock::Timeout=300)
    "${apt[@]}" update >&2 || say "apt-get update failed; trying with the lists that are there"
    "${apt[@]}" install -y --no-install-recommends "${missing[@]}" >&2 ||
        give_up "apt-get could not install: ${missing[*]}. Install them by hand and run again."
}

new_enough() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

# Print a Python 3.11 or newer; $PYTHON wins.
find_python() {
    local candidate
    for candidate in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
        new_enough "$candidate" && command -v "$candidate" && return 0
    done
    return 1
}

need_python() {
    if ! find_python >/dev/null && [ -z "${UMBILICAL_NO_APT:-}" ]; then
        need_debian python3 python3-venv
        find_python >/dev/null || need_debian python3.11 python3.11-venv # beside the older one of the system
    fi
    PYTHON=$(find_python) || give_up "Python 3.11 or newer is needed; name it with PYTHON=/path/to/python3"
    # Debian splits venv off its own Python; other Pythons bring it along.
    "$PYTHON" -c 'import venv, ensurepip' 2>/dev/null || {
        [ -z "${UMBILICAL_NO_APT:-}" ] || give_up "$PYTHON has no venv module; install it (Debian: python3-venv)"
        need_debian "$("$PYTHON" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')"
    }
}

# A browser for the tests that look at pages; Ubuntu ships it as a snap only.
need_browser() {
    command -v chromium >/dev/null && return 0
    grep -qi '^ID=ubuntu' /etc/os-release 2>/dev/null &&
        give_up "the tests look at pages with Chromium. Run: sudo snap install chromium"
    need_debian chromium
}

# What an installation depends on: another folder or Python makes another one.
fingerprint() {
    { cat "$ROOT/pyproject.toml" && printf '%s\n' "$ROOT" && "$VENV/bin/python" -VV; } | sha256sum | cut -c1-64
}

stamped() {
    local stamp
    [ -x "$VENV/bin/python" ] || return 1
    for stamp in "$@"; do
        [ "$(cat "$VENV/$stamp" 2>/dev/null)" != "$(fingerprint)" ] || return 0
    done
    return 1
}

# A venv that was moved holds programs that name its old place; a linked one is its owner's affair.
usable_venv() {
    "$VENV/bin/python" -m pip --version >/dev/null 2>&1 || return 1
    [ -L "$VENV" ] || grep -qsF "$VENV" "$VENV/bin/activate"
}

# need_project EXTRA: install the project editable into .venv, with an extra (or `core` for none).
need_project() {
    local extra=$1 what=$ROOT try
    [ "$extra" = core ] || what="$ROOT[$extra]"
    stamped "installed-for-$extra" installed-for-test && return 0
    need_python
    if ! usable_venv; then
        say "Making .venv with $("$PYTHON" -V)"
        [ ! -L "$VENV" ] || rm "$VENV"
        "$PYTHON" -m venv --clear "$VENV" || give_up "could not make $VENV"
    fi
    say "Installing Umbilical and the libraries it needs (a minute or two the first time)"
    for try in 1 2 3; do
        "$VENV/bin/python" -m pip install -qq --disable-pip-version-check --retries 10 --timeout 60 \
            --editable "$what" >&2 && break
        [ "$try" -lt 3 ] || give_up "pip could not install the project; is there a network? Run again to try once more."
        say "pip failed; trying again"
    done
    fingerprint >"$VENV/installed-for-$extra"
}
