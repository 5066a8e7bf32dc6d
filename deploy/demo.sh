#!/bin/sh
# Shows the whole job on this machine alone, with simulated data: sh deploy/demo.sh [--out DIR]
set -eu

cd "$(dirname "$0")/.."
. deploy/prepare.sh

missing=""
want_python
install_missing
make_environment .venv-demo deploy/requirements-demo.txt
say "Starting the demonstration (about a minute and a half; Ctrl-C ends it)"
.venv-demo/bin/cabinetwatch demo "$@"
