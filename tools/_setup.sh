# Sourced by the commands beside it: makes .venv and keeps it up to date with pyproject.toml.
# usage: . tools/_setup.sh EXTRA...   (extras to install; "" for none)
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

need_python() {
    for candidate in "${PYTHON:-}" python3 python3.13 python3.12 python3.11; do
        [ -n "$candidate" ] || continue
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    echo "Python 3.11 or newer is needed and none was found (looked for python3, python3.11 to 3.13; set PYTHON=...)." >&2
    exit 1
}

set_up() {
    local extras=$1 stamp want
    if [ ! -x .venv/bin/python ]; then
        "$(need_python)" -m venv .venv || {
            echo "Could not make .venv; on Debian: apt install python3-venv" >&2
            exit 1
        }
    fi
    stamp=.venv/.lastbubble-$extras
    want=$(cat pyproject.toml | cksum)
    if [ "$(cat "$stamp" 2>/dev/null)" != "$want" ]; then
        echo "Setting up .venv ($extras); the first time takes a minute or two." >&2
        .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".[$extras]" >&2
        echo "$want" >"$stamp"
    fi
}
