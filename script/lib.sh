# Shared by the scripts beside it: sourced, never run. Plain sh, so that a bare Debian can start here.

ROOT=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
VENV=$ROOT/.venv
PYTHON=$VENV/bin/python
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore PYTHONUNBUFFERED=1
cd "$ROOT"

say() {
    printf '==> %s\n' "$*"
}

stop() {
    printf '\n%s\n' "$*" >&2
    exit 1
}

switched_off() {
    case $(printf %s "$1" | tr '[:upper:]' '[:lower:]') in
    0 | false | no | off) return 0 ;;
    *) return 1 ;;
    esac
}

# The first Python that is new enough and can make an environment; nothing if there is none.
find_python() {
    for name in python3 /usr/bin/python3 python3.13 python3.12 python3.11; do
        if "$name" -c 'import sys, ctypes, ensurepip, sqlite3, ssl, venv; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
}

# has_library PYTHON NAME: can this Python load the shared library?
has_library() {
    [ -n "$1" ] && "$1" -c 'import ctypes, sys; ctypes.CDLL(sys.argv[1])' "$2" 2>/dev/null
}

find_chromium() {
    if [ -n "${CHROMIUM:-}" ]; then
        command -v "$CHROMIUM" && return
    fi
    command -v chromium || command -v chromium-browser || command -v google-chrome || true
}

# The newest PostgreSQL's folder of programs; nothing if there is none.
find_postgres() {
    found=''
    for folder in $(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V); do
        [ -x "$folder/initdb" ] && found=$folder
    done
    [ -n "$found" ] || found=$(dirname -- "$(command -v initdb || echo /)")
    [ -x "$found/initdb" ] && echo "$found"
    return 0
}

# Debian's names of what is missing. With "test", what the tests need as well.
missing_packages() {
    python=$(find_python)
    [ -n "$python" ] || echo python3-venv
    has_library "$python" libpangoft2-1.0.so.0 || echo libpangoft2-1.0-0
    has_library "$python" libharfbuzz-subset.so.0 || echo libharfbuzz-subset0
    [ "$1" = test ] || return 0
    [ -n "$(find_chromium)" ] || echo chromium
    has_library "$python" libatomic.so.1 || echo libatomic1
    [ -n "$(find_postgres)" ] || echo postgresql
    command -v msgfmt >/dev/null || echo gettext
}

install_packages() {
    line="apt-get update && apt-get install -y --no-install-recommends $*"
    command -v apt-get >/dev/null ||
        stop "These Debian packages, or what your system calls them, are missing: $*" \
            "Install them, then run this script again."
    if [ "$(id -u)" = 0 ]; then
        as_root=''
    elif command -v sudo >/dev/null && { sudo -n true 2>/dev/null || [ -t 0 ]; }; then
        as_root=sudo
    else
        stop "System packages are missing, and this script may not install them. As root, run

    $line

and then run this script again."
    fi
    say "Installing system packages${as_root:+ with sudo}: $*"
    $as_root apt-get update -qq -o DPkg::Lock::Timeout=300 ||
        say "The package lists could not be refreshed; trying with those at hand"
    # shellcheck disable=SC2086 # as_root is one word or none
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq -o DPkg::Lock::Timeout=300 \
        -o Dpkg::Use-Pty=0 --no-install-recommends "$@" >/dev/null ||
        stop "The system packages could not be installed (the reason is above). As root, run

    $line

and then run this script again."
}

ensure_system() {
    missing=$(missing_packages "$1")
    [ -n "$missing" ] || return 0
    # shellcheck disable=SC2086 # one package a word
    install_packages $missing
    missing=$(missing_packages "$1")
    [ -z "$missing" ] || stop "Installed, but still not usable: $(echo $missing)
Python 3.11 or newer is needed; Debian 12 has it."
}

ensure_environment() {
    if [ -e "$VENV" ] && ! "$PYTHON" -c 'import sys, pip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        say "The environment in .venv does not work any more; making it anew"
        "$(find_python)" -m venv --clear "$VENV"
    elif [ ! -e "$VENV" ]; then
        say "Making a Python environment in .venv"
        "$(find_python)" -m venv "$VENV"
    fi
}

# ensure_installed NAME FILE...: install the locked files unless exactly these were installed before.
ensure_installed() {
    name=$1
    shift
    lock=$({ "$PYTHON" -VV; cat "$@"; } | sha256sum | cut -d ' ' -f 1)
    stamp=$VENV/installed-$name
    [ "$(cat "$stamp" 2>/dev/null)" != "$lock" ] || return 0
    say "Installing Python packages from $*"
    set -- $(printf -- '-r %s ' "$@")
    "$PYTHON" -m pip install -q --no-input --progress-bar off --require-hashes --only-binary :all: "$@" ||
        stop "The Python packages could not be installed; the reason is above. Nothing else was changed: run this again."
    "$PYTHON" -m pip check >/dev/null || "$PYTHON" -m pip check
    echo "$lock" >"$stamp"
}

ensure_packages() {
    files=requirements.txt
    if switched_off "${HEIC:-1}"; then
        if "$PYTHON" -c 'import pillow_heif' 2>/dev/null; then
            say "HEIC=0: removing the HEIC reader"
            "$PYTHON" -m pip uninstall -q -y pillow-heif
            rm -f "$VENV"/installed-*
        fi
    else
        files="$files requirements-heic.txt"
    fi
    [ "$1" != test ] || files="$files requirements-test.txt"
    # shellcheck disable=SC2086 # file names without spaces
    ensure_installed "$1" $files
}
