#!/bin/sh
# Checks style, types and security and runs every test: sh deploy/test.sh [arguments for pytest]
# With --long also what takes minutes or hours, and an audit of the packages.
set -eu

cd "$(dirname "$0")/.."
. deploy/prepare.sh

missing=""
want_python
want_program mosquitto mosquitto
want_program chromium chromium
want_program chromedriver chromium-driver
want_program shellcheck shellcheck
want_program systemd-analyze systemd
case " $* " in
*" --long "*)
    want_program debootstrap debootstrap
    want_program linux.uml user-mode-linux
    want_program qemu-storage-daemon qemu-system-common
    want_program insmod kmod
    want_program mkfs.ext4 e2fsprogs
    want_program ip iproute2
    ;;
esac
install_missing
make_environment .venv-test deploy/requirements-test.txt

say "ruff check (style, and the security rules of its group S)"
.venv-test/bin/ruff check .
say "ruff format --check"
.venv-test/bin/ruff format --check .
say "mypy"
# Meanwhile the tests are compiled: four workers that begin at once would each do it.
.venv-test/bin/python -m pytest --collect-only -qq >/dev/null 2>&1 &
.venv-test/bin/mypy
wait

audit=0
case " $* " in
*" --long "*)
    say "audit of the packages"
    .venv-test/bin/python -m tests.audit || audit=$?
    [ "$audit" = 0 ] || [ "$audit" = 3 ] || fail "A package is vulnerable: see above."
    ;;
esac

# Most tests wait for a broker, a mail server or a browser: four at once fill two cores, more only cost
# more processor. The long ones, which go first, keep a core busy for most of an hour. Files go out
# whole and in their order: else those with few tests, which may take long, would come last, and be
# waited for alone.
shares="-n 4"
case " $* " in *" --long "*) shares="-n 2" ;; esac
say "pytest"
# shellcheck disable=SC2086 # several words on purpose
.venv-test/bin/python -m pytest $shares --dist loadfile --no-loadscope-reorder "$@"
if [ "$audit" = 3 ]; then
    say "All checks passed, but THE PACKAGES WERE NOT AUDITED: the list of vulnerabilities could not be reached."
else
    say "All checks passed"
fi
