# Shared by install.sh and uninstall.sh, which read it in: where things are, and systemd. POSIX sh.
# shellcheck shell=sh disable=SC2034

USER_NAME=cabinetwatch
HOME_OF_CODE=/opt/cabinetwatch
ENVIRONMENT=$HOME_OF_CODE/env
ETC=/etc/cabinetwatch
CONFIG=$ETC/config.toml
STATE=/var/lib/cabinetwatch
BACKUPS=$STATE/backups
CREDENTIALS=/etc/credstore
UNITS=/etc/systemd/system
DOCUMENTS=/usr/local/share/doc/cabinetwatch
# What goes there, in the folders that it has here, so that its links hold.
DOCUMENTED="README.md CHANGELOG.md DEVELOPERS.md LICENSE config.example.toml
    cabinetwatch/manual/*.md deploy/mosquitto/* deploy/pictures/*
    tests/benchmarks/RESULTS.md tests/faults/README.md"
COMMAND=/usr/local/bin/cabinetwatch
PAGE_UNIT=cabinetwatch-page.service
OUR_UNITS="cabinetwatch.service cabinetwatch-failed.service cabinetwatch-guard.service $PAGE_UNIT"

want_root() {
    [ "$(id -u)" = 0 ] || fail "This changes the system: run it as root, e.g. sudo sh deploy/$1."
}

# systemd says of itself that it runs by this folder, sd_booted(3).
systemd_runs() {
    [ -d /run/systemd/system ]
}

# Whether unit $1 runs now.
is_active() {
    systemd_runs && systemctl --quiet is-active "$1"
}

reload_units() {
    if systemd_runs; then
        systemctl daemon-reload
    fi
}

# Has unit $1 started at boot, also where systemd doesn't run or is not there yet.
enable_unit() {
    if command -v systemctl >/dev/null 2>&1; then
        systemctl --quiet enable "$1"
    else
        mkdir -p "$UNITS/multi-user.target.wants"
        ln -sf "$UNITS/$1" "$UNITS/multi-user.target.wants/$1"
    fi
}

disable_unit() {
    if command -v systemctl >/dev/null 2>&1; then
        systemctl --quiet disable "$1" 2>/dev/null || true
    fi
    rm -f "$UNITS/multi-user.target.wants/$1"
}

# Runs a command as the watch's own user, in a folder that it may be in. Whatever touches $STATE runs
# so: in there that user may have put links to anywhere. A session of its own keeps root's terminal
# out of that user's hands.
as_watch() {
    (cd / && setsid --wait runuser -u "$USER_NAME" -- "$@" </dev/null)
}
