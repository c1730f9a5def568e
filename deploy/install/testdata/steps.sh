#!/bin/bash
# What root.sh has done in its root, under systemd: /root/done says that all went
# well, what is printed says what did not.
set -euo pipefail
export LC_ALL=C DEBIAN_FRONTEND=noninteractive PATH=/usr/sbin:/usr/bin:/sbin:/bin

fail() {
	echo "steps.sh: $*"
	systemctl status --no-pager -n 0 dewpost dewpost-agent || true
	journalctl --no-pager -n 40
	exit 1
}
trap 'fail "line $LINENO"' ERR
quietly() { "$@" >/root/log 2>&1 || fail "$*: $(cat /root/log)"; }
as() { local user=$1 && shift && setpriv --reuid="$user" --regid="$user" --init-groups --no-new-privs "$@"; }
is() { [ "$(systemctl show "$1" -p "$2" --value)" = "$3" ] || fail "$1: $2 is $(systemctl show "$1" -p "$2" --value), not $3"; }
# soon COMMAND…: waits for what another program does.
soon() {
	local n=0
	until "$@"; do
		n=$((n + 1))
		[ $n -lt 100 ] || fail "still not: $*"
		read -rt 0.2 <> <(:) || true # a pause
	done
}
heard() { as dewpost dewpost export readings --station lake-07 | wc -l; }
heard_more() { [ "$(heard)" -gt "$1" ]; }
spooled() { find /var/lib/dewpost-agent -type f ! -name state -exec cat {} + | wc -c; }
spooled_more() { [ "$(spooled)" -gt "$1" ]; }
# The agent comes last: it would find nobody, and wait for a while.
both_start() { quietly systemctl start dewpost && quietly systemctl start dewpost-agent; }
sums() { find /etc/dewpost /etc/dewpost-agent /var/lib/dewpost-agent /var/lib/dewpost/dewpost.db -type f ! -name lock -exec sha256sum {} + | sort; }

# Installed: the collector works, the agent waits for its settings.
quietly dpkg -i /root/debs/*.deb
is dewpost ActiveState active
is dewpost-agent ActiveState inactive
is dewpost-agent ConditionResult no
for name in dewpost dewpost-agent; do
	quietly systemd-analyze verify /usr/lib/systemd/system/$name.service
	quietly dpkg --verify $name
	for page in "1 $name" "5 $name.toml"; do
		# shellcheck disable=SC2086
		[ -z "$(man --warnings -E UTF-8 -l -Z -Tutf8 "$(man -w $page)" 2>&1 >/dev/null)" ] || fail "man $page"
	done
	[ "$(stat -c '%U %a' /etc/$name/secrets)" = "root 700" ] || fail "/etc/$name/secrets is open"
done
[ "$(stat -c '%U %a' /var/lib/dewpost)" = "dewpost 700" ] || fail "the store is open"

# A station, as the README says, with a sensor, and a second one of the same agent;
# both are heard, by the address that the collector was given.
sed -i 's/^listen = "127.0.0.1:1883"/listen = "0.0.0.0:8883"/; s/^names = \[\]/names = ["localhost"]/' /etc/dewpost/dewpost.toml
quietly systemctl restart dewpost
cd /var/lib/dewpost
quietly as dewpost dewpost station add lake-07 name="Lake 07" build=coated --out /var/lib/dewpost/lake-07
quietly as dewpost dewpost station add lake-08 name="Lake 08" build=coated --out /var/lib/dewpost/lake-08
install -m 640 -g dewpost-agent lake-07/* /etc/dewpost-agent/
printf '[[station.sensor]]\ndriver = "sim"\n' >>/etc/dewpost-agent/agent.toml
install -m 640 -g dewpost-agent lake-08/lake-08.secret /etc/dewpost-agent/
sh -c 'sed -n "/^\[\[station\]\]/,\$p" lake-08/agent.toml >>/etc/dewpost-agent/agent.toml'
printf '[[station.sensor]]\ndriver = "sim"\n' >>/etc/dewpost-agent/agent.toml
sed -i 's/^interval = .*/interval = "1s"\nburst = 1/; 1i clock_wait = "1s"' /etc/dewpost-agent/agent.toml
quietly as dewpost-agent dewpost-agent check -c /etc/dewpost-agent/agent.toml
quietly systemctl start dewpost-agent
is dewpost-agent ActiveState active
soon heard_more 1
second() { [ "$(as dewpost dewpost export readings --station lake-08 | wc -l)" -gt 1 ]; }
soon second
cd /

# Nobody takes what it measures now; then both are upgraded, and nothing starts.
quietly systemctl stop dewpost
soon spooled_more "$(spooled)"
quietly systemctl stop dewpost-agent
is dewpost Result success
is dewpost-agent Result success
before=$(sums)
printf '#!/bin/sh\nexit 101\n' >/usr/sbin/policy-rc.d
chmod 755 /usr/sbin/policy-rc.d
quietly dpkg -i /root/new/*.deb
rm /usr/sbin/policy-rc.d
[ "$before" = "$(sums)" ] || fail "the upgrade changed: $(diff <(echo "$before") <(sums))"

# The secret is root's alone now; what was spooled comes.
install -m 600 /etc/dewpost-agent/lake-07.secret /etc/dewpost-agent/secrets/
rm /etc/dewpost-agent/lake-07.secret
sed -i 's/^secret_file = "lake-07.*/secret_file = "credential:secret_lake-07.secret"/' /etc/dewpost-agent/agent.toml
n=$(heard)
both_start
soon heard_more "$n"

# On a root that nobody can write to, as the card of a board should have it, both
# work: all that they write is in their folders.
quietly systemctl stop dewpost-agent dewpost
for name in dewpost dewpost-agent; do
	mount --bind /var/lib/$name /var/lib/$name
done
mount -o remount,bind,ro /
touch /usr/writable 2>/dev/null && fail "the root can be written to"
n=$(heard)
both_start
soon heard_more "$n"
quietly systemctl stop dewpost-agent dewpost
umount /var/lib/dewpost /var/lib/dewpost-agent
mount -o remount,bind,rw /
both_start

# The agent's unit, but it runs what is in /run/asks.
sed -e 's/^Type=.*/Type=oneshot/; /^Restart/d; /^Watchdog/d; /^WantedBy/d' \
	-e 's/^ExecStart=.*/ExecStart=-\/run\/asks/' \
	-e 's/^UMask=/StandardOutput=truncate:\/run\/asked\nStandardError=inherit\nUMask=/' \
	/usr/lib/systemd/system/dewpost-agent.service >/run/systemd/system/asks.service
quietly systemctl daemon-reload
# from_its_unit COMMAND: what it says where the agent's unit puts it.
from_its_unit() {
	printf '#!/bin/sh\n%s\n' "$1" >/run/asks
	chmod 755 /run/asks
	quietly systemctl start asks
	cat /run/asked
}

# It reaches a serial line by the line's group, one of nobody's by nothing, and
# no device of another kind, whoever may use that.
mknod -m 660 /dev/ttyS0 c 4 64
mknod -m 660 /dev/ttyS1 c 4 65
mknod -m 666 /dev/kmsg c 1 11
chgrp dialout /dev/ttyS0
said=$(from_its_unit ': <>/dev/ttyS0')
case $said in *ermi*) fail "$said" ;; esac
for path in ttyS1 kmsg; do
	said=$(from_its_unit ": <>/dev/$path")
	case $said in *"Permission denied"* | *"Operation not permitted"*) ;; *) fail "/dev/$path is open to the agent: $said" ;; esac
done

# With the rules in its examples the agent may restart the machine, from where its
# unit puts it, and not switch it off; without them, neither.
quietly systemctl start dbus polkit systemd-logind
asked() {
	local said
	said=$(from_its_unit "busctl call org.freedesktop.login1 /org/freedesktop/login1 org.freedesktop.login1.Manager $1")
	[ "$said" = "s \"$2\"" ] || fail "$1: $said, not $2"
}
asked CanReboot challenge
cp /usr/share/doc/dewpost-agent/examples/recovery.rules /etc/polkit-1/rules.d/
quietly systemctl restart polkit
asked CanReboot yes
asked CanPowerOff challenge
may() { pkcheck --action-id "org.freedesktop.$2" --process "$(systemctl show "$1" -p MainPID --value)" >/root/log 2>&1; }
for action in network1.reconfigure login1.reboot-multiple-sessions; do
	may dewpost-agent $action || fail "the agent may not $action: $(cat /root/log)"
	may dewpost $action && fail "the collector may $action"
done
may dewpost-agent login1.power-off-multiple-sessions && fail "the agent may switch the machine off"
rm /etc/polkit-1/rules.d/recovery.rules /run/systemd/system/asks.service
quietly systemctl stop systemd-logind polkit

# What hangs is started anew; what is upgraded, too.
for name in dewpost dewpost-agent; do
	mkdir -p /run/systemd/system/$name.service.d
	printf '[Service]\nWatchdogSec=2\nRestartSec=100ms\n' >/run/systemd/system/$name.service.d/quick.conf
done
systemctl daemon-reload
quietly systemctl restart dewpost dewpost-agent
for name in dewpost dewpost-agent; do
	kill -STOP "$(systemctl show $name -p MainPID --value)"
done
restarted() { [ "$(systemctl show "$1" -p NRestarts --value)" -ge 1 ] && [ "$(systemctl show "$1" -p ActiveState --value)" = active ]; }
soon restarted dewpost
soon restarted dewpost-agent
old=$(systemctl show dewpost -p MainPID --value)
quietly dpkg -i /root/new/*.deb
is dewpost ActiveState active
[ "$old" != "$(systemctl show dewpost -p MainPID --value)" ] || fail "an upgrade leaves the old program running"

# Removed: stopped, and what is a person's stays. Purged: nothing.
quietly dpkg --remove dewpost dewpost-agent
is dewpost ActiveState inactive
is dewpost-agent ActiveState inactive
for path in /etc/dewpost/dewpost.toml /etc/dewpost-agent/agent.toml /var/lib/dewpost/dewpost.db; do
	[ -e $path ] || fail "removing took $path"
done
quietly dpkg --purge dewpost dewpost-agent
touch /root/done
