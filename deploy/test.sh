#!/bin/sh
# Checks style and types and runs every test: sh deploy/test.sh [arguments for pytest, e.g. --long]
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
install_missing
make_environment .venv-test deploy/requirements-test.txt

say "ruff check"
.venv-test/bin/ruff check .
say "ruff format --check"
.venv-test/bin/ruff format --check .
say "mypy"
.venv-test/bin/mypy
say "pytest"
.venv-test/bin/python -m pytest "$@"
say "All checks passed"
