# Shared by the scripts beside it, which read it in: finds or installs what they need. POSIX sh.
# shellcheck shell=sh

# Python, whatever the locale, reads and writes UTF-8.
PYTHONUTF8=1
export PYTHONUTF8
PIP_DISABLE_PIP_VERSION_CHECK=1
export PIP_DISABLE_PIP_VERSION_CHECK

POLICY=/usr/sbin/policy-rc.d
policy_is_ours=no
trap 'restore_policy' EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM

say() {
    printf '==> %s\n' "$*"
}

fail() {
    printf '%s\n' "$*" >&2
    exit 1
}

# Prints the first Python that is 3.11 or later and can make virtual environments with pip.
find_python() {
    for candidate in python3 python3.13 python3.12 python3.11; do
        if "$candidate" -I -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
            >/dev/null 2>&1; then
            command -v "$candidate"
            return 0
        fi
    done
    return 1
}

# Debian puts servers into /usr/sbin, which a plain user's PATH may lack.
find_program() {
    (PATH="$PATH:/usr/sbin:/sbin" && command -v "$1")
}

# Debian starts the service of a server that it installs; here the program is all that is wanted.
forbid_services() {
    if [ ! -e "$POLICY" ]; then
        printf '#!/bin/sh\nexit 101\n' >"$POLICY"
        chmod 755 "$POLICY"
        policy_is_ours=yes
    fi
}

restore_policy() {
    if [ "$policy_is_ours" = yes ]; then
        rm -f "$POLICY"
        policy_is_ours=no
    fi
}

# Names in $missing are Debian packages. Installs them as root, else says what to install.
install_missing() {
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        fail "Missing here: install$missing first (on Debian, as root: apt-get install$missing)."
    fi
    say "Installing from Debian:$missing"
    forbid_services
    apt_log=$(mktemp)
    # shellcheck disable=SC2086 # a list of names
    if ! { apt-get update &&
        DEBIAN_FRONTEND=noninteractive \
            apt-get install --yes --no-install-recommends $missing; } >"$apt_log" 2>&1; then
        tail -n 20 "$apt_log" >&2
        fail "apt-get could not install$missing: its last lines stand above, and all of it in $apt_log."
    fi
    rm -f "$apt_log"
    restore_policy
    case "$missing" in
    *mosquitto*)
        if command -v systemctl >/dev/null 2>&1; then
            systemctl disable mosquitto >/dev/null 2>&1 ||
                say "Note: the mosquitto service could not be disabled; it starts at the next boot."
        fi
        ;;
    esac
}

# Adds python3 and python3-venv to $missing unless a Python that will do is here.
want_python() {
    find_python >/dev/null || missing="$missing python3 python3-venv"
}

# Adds package $2 to $missing unless program $1 is here.
want_program() {
    find_program "$1" >/dev/null || missing="$missing $2"
}

# Prints, one a line, the options with which pip finds its package index where it was told one by its
# configuration or the environment. $1 is a Python with pip.
way_to_index() {
    "$1" -P -m pip config list | "$1" -I -c '
import ast, sys
WAY = ("index-url", "extra-index-url", "no-index", "find-links", "trusted-host", "proxy", "cert",
       "client-cert", "timeout", "default-timeout", "retries")
RANK = ("global", "install", ":env:")
found = {}
for line in sys.stdin:
    key, _, value = line.strip().partition("=")
    section, _, name = key.rpartition(".")
    if name in WAY and section in RANK:
        found[name] = max(found.get(name, (-1, "")), (RANK.index(section), ast.literal_eval(value)))
for name, (_, value) in found.items():
    if name == "no-index":
        if value.lower() in ("1", "true", "yes", "on"):
            print("--no-index")
        continue
    several = name in ("extra-index-url", "find-links", "trusted-host")
    for each in value.split() if several else [value]:
        print("--" + name.removeprefix("default-") + "=" + each)
'
}

# Installs what the requirements file $2 lists by the Python $1 of an environment: wheels alone, each
# with a hash that is listed. Nothing else that pip was told elsewhere counts (--isolated).
install_pinned() {
    index=$(way_to_index "$1")
    (
        set -f
        IFS='
'
        # shellcheck disable=SC2086 # an option a line
        exec "$1" -P -m pip install --isolated --disable-pip-version-check --quiet --require-hashes \
            --only-binary :all: $index -r "$2"
    )
}

# Installs the checkout $3 by the Python $1 of an environment, with the options $2; all that it takes
# is there already.
install_checkout() {
    # shellcheck disable=SC2086 # none, or one
    "$1" -P -m pip install --isolated --disable-pip-version-check --quiet --no-index --no-deps \
        --no-build-isolation $2 "$3"
}

# Prints how many megabytes an environment takes that is made from the requirements file $1.
megabytes() {
    case "$1" in
    */requirements.txt) echo 90 ;;
    */requirements-reports.txt) echo 415 ;;
    */requirements-demo.txt) echo 430 ;;
    */requirements-test.txt) echo 630 ;;
    esac
}

# Makes the virtual environment $1 from the requirements file $2 with this checkout in it,
# unless it is there already, made from the same files by the same Python.
make_environment() {
    environment=$1
    requirements=$2
    python=$(find_python) ||
        fail "No Python from 3.11 on with venv and pip here: install python3 and python3-venv (Debian 12 or later)."
    stamp=$("$python" --version && cat pyproject.toml deploy/requirements*.txt | cksum && pwd)
    if [ -f "$environment/stamp" ] && [ "$(cat "$environment/stamp")" = "$stamp" ]; then
        say "Using $environment, made before from the same versions"
        return 0
    fi
    say "Making $environment with $("$python" --version) ($(megabytes "$requirements") MB, a minute or two)"
    rm -rf "$environment"
    "$python" -I -m venv "$environment" || fail "The virtual environment $environment could not be made."
    install_pinned "$environment/bin/python" "$requirements" ||
        fail "pip could not install what $requirements lists: see above; it needs a way to a package index."
    install_checkout "$environment/bin/python" --editable . ||
        fail "pip could not install this checkout into $environment: see above."
    printf '%s\n' "$stamp" >"$environment/stamp"
}
