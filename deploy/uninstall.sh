#!/bin/sh
# Removes the service and its code: sudo sh deploy/uninstall.sh [--force]
# Configuration, database and backups stay, and so does the user that owns them. The broker forgets
# the watch's retained topics; with --force it goes on when that can't be done.
set -eu

cd "$(dirname "$0")/.."
. deploy/prepare.sh
. deploy/system.sh

case "${1-}" in
"" | --force) force=${1-} ;;
*) fail "usage: sudo sh deploy/uninstall.sh [--force]" ;;
esac

want_root uninstall.sh
[ -e "$ENVIRONMENT" ] || fail "There is no $ENVIRONMENT: nothing is installed here."

# The topics are the watch's; a guard alone has none.
clear_topics() {
    if [ -e "$UNITS/multi-user.target.wants/cabinetwatch-guard.service" ] &&
        [ ! -e "$UNITS/multi-user.target.wants/cabinetwatch.service" ]; then
        return 0
    fi
    say "Clearing the retained topics of the watch"
    secret=$CREDENTIALS/cabinetwatch.mqtt-password
    if [ -r "$secret" ]; then
        CABINETWATCH_MQTT_PASSWORD=$(cat "$secret")
        export CABINETWATCH_MQTT_PASSWORD
    fi
    if as_watch "$ENVIRONMENT/bin/cabinetwatch" clear --config "$CONFIG"; then
        return 0
    fi
    [ "$force" = --force ] ||
        fail "Nothing was removed: start the broker and try again, or give --force to leave its topics."
    say "Its retained topics stay on the broker, as asked for."
}

for unit in $OUR_UNITS; do
    if is_active "$unit"; then
        say "Stopping $unit"
        systemctl stop "$unit"
    fi
done
clear_topics
for unit in $OUR_UNITS; do
    disable_unit "$unit"
    rm -f "$UNITS/$unit"
done
reload_units
rm -rf "$HOME_OF_CODE" "$DOCUMENTS"
rm -f "$COMMAND"

say "Removed. Kept: $ETC, $STATE, passwords in $CREDENTIALS, what systemctl edit made, the user $USER_NAME."
say "To delete these too: rm -r $ETC $STATE; rm -rf $CREDENTIALS/cabinetwatch.*" \
    "$UNITS/cabinetwatch*.service.d; userdel $USER_NAME"
