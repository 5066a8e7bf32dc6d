#!/bin/sh
# Run as root in a fresh Debian root with the checkout in /src: clean_root.sh PORT
# Installs, watches, upgrades and removes, and says at which step anything is not as it should be.
set -eu

port=$1
config=/etc/cabinetwatch/config.toml

check() {
    what=$1
    shift
    "$@" || {
        echo "NOT SO: $what" >&2
        exit 1
    }
}

wait_for() {
    what=$1
    shift
    tries=0
    until "$@" >/dev/null 2>&1; do
        tries=$((tries + 1))
        [ "$tries" -lt 300 ] || check "$what" false
        sleep 0.1
    done
}

mode() {
    stat -c '%a %U %G' "$1"
}

cd /src
sh deploy/install.sh
check "the user has no shell" test "$(getent passwd cabinetwatch | cut -d: -f7)" = /usr/sbin/nologin
check "configuration is for the group" test "$(mode $config)" = "640 root cabinetwatch"
check "its folder too" test "$(mode /etc/cabinetwatch)" = "750 root cabinetwatch"
check "state is the watch's" test "$(mode /var/lib/cabinetwatch)" = "750 cabinetwatch cabinetwatch"
enabled=/etc/systemd/system/multi-user.target.wants/cabinetwatch.service
check "without sensors the unit is not enabled" test ! -e $enabled
page=/etc/systemd/system/cabinetwatch-page.service
wanted_page=/etc/systemd/system/multi-user.target.wants/cabinetwatch-page.service
check "the page can be served, and is not unasked" test -s $page -a ! -L $wanted_page
check "the command is there" cabinetwatch --version
check "nothing was left in the checkout" test ! -e build
first=$(readlink /opt/cabinetwatch/env)

printf '#!/bin/sh\nexit 101\n' >/usr/sbin/policy-rc.d
chmod 755 /usr/sbin/policy-rc.d
DEBIAN_FRONTEND=noninteractive apt-get install --yes --no-install-recommends mosquitto >/dev/null 2>&1
rm /usr/sbin/policy-rc.d
printf 'listener %s 127.0.0.1\nallow_anonymous true\n' "$port" >/tmp/broker.conf
/usr/sbin/mosquitto -c /tmp/broker.conf >/tmp/broker.log 2>&1 &
broker=$!
watch=""
end_all() {
    kill "$broker" ${watch:+"$watch"} 2>/dev/null || true
    [ -z "$watch" ] || tail -n 20 /tmp/watch.log >&2
}
trap end_all EXIT

printf 'time,sensor,value\n2026-07-01T10:00:00Z,hall,21.5\n' >/root/day.csv
cabinetwatch import /root/day.csv 2>/dev/null || true # the sensor is not configured
check "what root's import made is the watch's" \
    test "$(mode /var/lib/cabinetwatch/cabinetwatch.db)" = "600 cabinetwatch cabinetwatch"

sed -i "s/^host = .*/&\nport = $port/; s/^directory = .*/directory = \"\/var\/lib\/cabinetwatch\/page\"/" $config
printf '\n[sensors.hall-air]\ntopic = "hall/air"\nquantity = "temperature"\n' >>$config
before=$(cksum <$config)
runuser -u cabinetwatch -- sh -c "echo \$\$ >/tmp/watch.pid; exec cabinetwatch run --config $config" \
    >/tmp/watch.log 2>&1 &
watch=$!
running() {
    cabinetwatch status --config $config | grep 'has been running'
}
wait_for "the watch runs" running
kill -TERM "$(cat /tmp/watch.pid)"
wait "$watch" || check "the watch stops in good order" false
watch=""

ln -s $page $wanted_page
sleep 1 # two environments have names of different seconds
sh deploy/install.sh --small
check "without pictures and trials it is small" test "$(du -sm /opt/cabinetwatch/env/ | cut -f1)" -lt 150
check "with a sensor the unit is enabled" test -L $enabled
check "the page that was asked for stays so" test -L $wanted_page
check "the configuration stays" test "$before" = "$(cksum <$config)"
check "a backup was made" test -n "$(find /var/lib/cabinetwatch/backups -name 'before-upgrade-*.db')"
check "another environment is in force" test "$first" != "$(readlink /opt/cabinetwatch/env)"
check "the one before is kept for a way back" test -d "$first"

echo 'faulty =' >>$config
if sh deploy/install.sh 2>/tmp/refusal; then
    check "a faulty configuration is refused" false
fi
check "that is said" grep -q "is not right for this version" /tmp/refusal
check "the version before goes on" cabinetwatch --version
sed -i '$d' $config

for each in README.md cabinetwatch/manual/alarms.md deploy/mosquitto/users.md; do
    check "$each is beside the system's documentation" test -s "/usr/local/share/doc/cabinetwatch/$each"
done
check "the manual is shown" test "$(cabinetwatch manual alarms | wc -l)" -gt 100

useradd --create-home owner
cp -R /src /home/owner/cabinetwatch
chown -R owner: /home/owner/cabinetwatch
sed -n '/^\*\*1\. Install/,/^\*\*2\./s/^    //p' README.md >/home/owner/install
echo 'cabinetwatch manual >/dev/null' >>/home/owner/install
check "README's own lines install it for a plain user, in a clone named like the project" \
    runuser -u owner -- env HOME=/home/owner sh -ec 'cd ~/cabinetwatch && . ~/install'

sh deploy/uninstall.sh | tee /tmp/removal
check "the retained topics are cleared" grep -q '^cleared cabinetwatch/watch$' /tmp/removal
check "the documentation is gone" test ! -e /usr/local/share/doc/cabinetwatch
check "the code is gone" test ! -e /opt/cabinetwatch -a ! -e /usr/local/bin/cabinetwatch
for each in /etc/systemd/system/cabinetwatch* /etc/systemd/system/*.wants/cabinetwatch*; do
    check "the units are gone" test ! -e "$each" -a ! -L "$each"
done
check "the configuration is kept" test "$before" = "$(cksum <$config)"
check "the database is kept" test -s /var/lib/cabinetwatch/cabinetwatch.db
echo "ALL AS IT SHOULD BE"
