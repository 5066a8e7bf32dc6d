#!/bin/sh
# Installs the watch as a service, or brings an installed one up to date:
#     sudo sh deploy/install.sh             the watch
#     sudo sh deploy/install.sh --small     the watch without pictures and trials
#     sudo sh deploy/install.sh --guard     the guard alone, on a second computer
# For Debian 12 and 13 and Raspberry Pi OS (64 bit). What is configured and stored stays.
set -eu

cd "$(dirname "$0")/.."
. deploy/prepare.sh
. deploy/system.sh

unit=cabinetwatch.service
requirements=deploy/requirements.txt
case "${1-}" in
"") requirements=deploy/requirements-reports.txt ;;
--small) ;;
--guard) unit=cabinetwatch-guard.service ;;
*) fail "usage: sudo sh deploy/install.sh [--small | --guard]" ;;
esac

want_root install.sh
[ "$(getconf LONG_BIT)" = 64 ] ||
    fail "This is a 32-bit system, for which not all packages are made: install the 64-bit one."

missing=""
want_python
want_program runuser util-linux
install_missing

old=$(readlink "$ENVIRONMENT" || true)
new=$HOME_OF_CODE/env-$(date -u +%Y%m%dT%H%M%SZ)
scratch=""
finished=no

# Whatever goes wrong before the switch leaves the installation as it was.
clean_up() {
    restore_policy
    [ -z "$scratch" ] || rm -rf "$scratch"
    if [ "$finished" = no ] && [ "$(readlink "$ENVIRONMENT" || true)" != "$new" ]; then
        rm -rf "$new"
        rm -f "$UNITS"/cabinetwatch*.service.next
    fi
}
trap clean_up EXIT

make_user() {
    if ! getent passwd "$USER_NAME" >/dev/null; then
        say "Making the system user and group $USER_NAME"
        useradd --system --user-group --home-dir "$STATE" --no-create-home \
            --shell /usr/sbin/nologin "$USER_NAME"
    fi
}

make_folders() {
    install -d -m 0755 "$HOME_OF_CODE"
    install -d -m 0750 -o root -g "$USER_NAME" "$ETC"
    install -d -m 0750 -o "$USER_NAME" -g "$USER_NAME" "$STATE"
    as_watch mkdir -p -m 0750 -- "$BACKUPS" ||
        fail "$BACKUPS can't be made: see above. Remove what lies there, then run this again."
    if [ ! -d "$CREDENTIALS" ]; then
        install -d -m 0700 "$CREDENTIALS"
    fi
    # An empty one is what a power cut has left of a first installation.
    if [ ! -s "$CONFIG" ]; then
        say "Writing a first $CONFIG"
        install -m 0640 -o root -g "$USER_NAME" deploy/config.toml "$CONFIG"
    fi
}

make_code() {
    python=$(find_python) ||
        fail "No Python from 3.11 on with venv and pip here: install python3 and python3-venv (Debian 12 or later)."
    say "Making $new with $("$python" --version) ($(megabytes "$requirements") MB, a minute or more)"
    "$python" -I -m venv "$new"
    install_pinned "$new/bin/python" "$requirements" ||
        fail "pip could not install what $requirements lists: see above. Nothing was changed."
    # Built in a copy, so that nothing of root's is left in the checkout.
    scratch=$(mktemp -d)
    cp -R cabinetwatch pyproject.toml README.md LICENSE "$scratch"
    install_checkout "$new/bin/python" "" "$scratch" ||
        fail "pip could not install this checkout: see above. Nothing was changed."
    chmod -R go+rX,go-w "$new"
}

# Prints how many sensors the configuration has, and where the database; fails with its faults.
sensors_and_database() {
    as_watch "$new/bin/python" -I -c '
import sys
from pathlib import Path
from cabinetwatch.text import CabinetwatchError
from cabinetwatch.watch.conditions import load_config
try:
    config = load_config(Path(sys.argv[1]))
    print(len(config.sensors), config.store_path())
except CabinetwatchError as error:
    sys.exit(str(error))
' "$CONFIG"
}

back_up() {
    backup=$BACKUPS/before-upgrade-$(date -u +%Y%m%dT%H%M%SZ).db
    as_watch "$ENVIRONMENT/bin/cabinetwatch" backup --config "$CONFIG" "$backup" ||
        fail "The database could not be backed up: see above. Nothing was changed."
    # The three newest stay. A name may hold anything but NUL.
    # shellcheck disable=SC2016 # expanded by the inner shell
    as_watch sh -c '
        find "$1" -maxdepth 1 -type f -name "before-upgrade-*.db" -print0 |
            sort --zero-terminated --reverse | tail --zero-terminated --lines=+4 |
            xargs --null --no-run-if-empty rm -f --
    ' sh "$BACKUPS"
}

migrate() {
    say "Bringing the database up to date"
    as_watch "$new/bin/python" -I -m cabinetwatch.store.migrate "sqlite:///$1" || {
        [ "$was_active" = no ] || systemctl start "$unit"
        fail "The database could not be brought up to date: see above. The version before goes on."
    }
}

switch_over() {
    for each in $OUR_UNITS; do
        install -m 0644 "deploy/$each" "$UNITS/$each.next"
    done
    # On the disk before anything points to it: the system writes a new file half a minute later, but a
    # new name within seconds, and a power cut in between would leave names of empty files.
    sync
    ln -sfn "$new" "$ENVIRONMENT.next"
    mv -T "$ENVIRONMENT.next" "$ENVIRONMENT"
    ln -sfn "$ENVIRONMENT/bin/cabinetwatch" "$COMMAND"
    for each in $OUR_UNITS; do
        mv -T "$UNITS/$each.next" "$UNITS/$each"
    done
    rm -rf "$DOCUMENTS"
    for each in $DOCUMENTED; do
        install -D -m 0644 "$each" "$DOCUMENTS/$each"
    done
    # The version before stays for a way back, those before it go.
    for each in "$HOME_OF_CODE"/env-*; do
        if [ "$each" != "$new" ] && [ "$each" != "$old" ]; then
            rm -rf "$each"
        fi
    done
    finished=yes
}

make_user
make_folders
make_code
configured=$(sensors_and_database) ||
    fail "$CONFIG is not right for this version: see above. Nothing was changed."
sensors=${configured%% *}
database=${configured#* }
was_active=no
if is_active "$unit"; then
    was_active=yes
fi
if [ "$unit" = cabinetwatch.service ] && [ -n "$old" ] && as_watch test -e "$database"; then
    back_up
    if [ "$was_active" = yes ]; then
        say "Stopping the watch for the change"
        systemctl stop "$unit"
    fi
    migrate "$database"
fi
install -d -m 0755 "$UNITS"
switch_over
reload_units
# A watch without sensors ends at once: at a boot before anybody has named one it would start for ever.
ready=no
if [ "$unit" != cabinetwatch.service ] || [ "$sensors" != 0 ]; then
    ready=yes
    enable_unit "$unit"
fi
sync
# It opens a listening socket: whether it runs is for the user to say.
if systemd_runs; then
    systemctl try-restart "$PAGE_UNIT" ||
        say "Note: the page is not served now: journalctl -e -u $PAGE_UNIT says why."
fi

if [ "$ready" = no ]; then
    say "Installed. Name your sensors in $CONFIG, see cabinetwatch check, then: systemctl enable --now $unit"
elif ! systemd_runs; then
    say "Installed. systemd doesn't run here, so $unit is enabled and starts at the next boot."
elif [ "$was_active" = yes ]; then
    systemctl restart "$unit" ||
        fail "Installed, but $unit does not start: journalctl -e -u $unit says why."
    say "Up to date, and running again."
else
    say "Installed. Edit $CONFIG, see cabinetwatch check, then: systemctl start $unit"
fi
