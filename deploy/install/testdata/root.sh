#!/bin/bash
# unshare --mount bash root.sh FOLDER NEW LAYER
# Installs, uses, upgrades, removes and purges the packages of FOLDER, then of
# NEW, in a root of its own: what this machine has, under a layer in memory,
# mounted on the folder LAYER, that is gone at the end. systemd is started in it
# as the first process of namespaces of its own, and runs steps.sh. The last line
# is the number of leftovers, listed before it.
set -euo pipefail
export LC_ALL=C PATH=/usr/sbin:/usr/bin:/sbin:/bin

# boot ROOT, as the first process: no step of it, nor of systemd, reaches what
# is outside.
boot() {
	local root=$1 node
	mount -t proc proc "$root/proc"
	mount --bind "$root/proc/sys" "$root/proc/sys"
	mount -o remount,bind,ro "$root/proc/sys"
	mount -t sysfs -o ro sysfs "$root/sys"
	mount -t cgroup2 none "$root/sys/fs/cgroup"
	mount -t tmpfs -o mode=755 none "$root/dev"
	for node in null:1:3 zero:1:5 full:1:7 random:1:8 urandom:1:9 tty:5:0; do
		IFS=: read -r name major minor <<<"$node"
		mknod -m 666 "$root/dev/$name" c "$major" "$minor"
	done
	mkdir "$root/dev/shm" "$root/dev/pts"
	mount -t tmpfs none "$root/dev/shm"
	mount -t devpts -o newinstance,ptmxmode=666 devpts "$root/dev/pts"
	ln -s pts/ptmx "$root/dev/ptmx"
	hostname throwaway
	ip link set lo up
	cd "$root"
	mkdir run/outside
	pivot_root . run/outside
	umount -l run/outside
	rmdir run/outside
	mount --make-rshared /
	exec env -i container=throwaway PATH="$PATH" /lib/systemd/systemd --system --unit=steps.target \
		--show-status=false
}
if [ "$1" = boot ]; then
	boot "$2"
fi

debs=$1 new=$2 layer=$3
mount --make-rprivate /
mount -t tmpfs -o mode=755 none "$layer"
mkdir "$layer/upper" "$layer/work" "$layer/root"
root=$layer/root
mount -t overlay overlay -o "lowerdir=/,upperdir=$layer/upper,workdir=$layer/work" "$root"
for dir in tmp run root var/cache/man var/lib/systemd var/log; do
	mount -t tmpfs -o mode=755 none "$root/$dir"
done
chmod 1777 "$root/tmp"
rm -f "$root/usr/sbin/policy-rc.d" # what keeps packages from starting services, here
# Nothing here outlives the minute: no syncs, no index of manual pages.
rm -f "$root/var/lib/man-db/auto-update"
echo force-unsafe-io >"$root/etc/dpkg/dpkg.cfg.d/throwaway"
mkdir -p "$root/root/debs" "$root/root/new" "$root/run/systemd/system"
cp "$debs"/*.deb "$root/root/debs/"
cp "$new"/*.deb "$root/root/new/"
cp "$(dirname "$0")/steps.sh" "$root/root/"
cat >"$root/run/systemd/system/steps.target" <<UNIT
[Unit]
DefaultDependencies=no
Wants=steps.service
UNIT
cat >"$root/run/systemd/system/steps.service" <<UNIT
[Unit]
DefaultDependencies=no
Requires=systemd-journald.service
After=systemd-journald.service
[Service]
Type=oneshot
ExecStart=/bin/bash /root/steps.sh
StandardOutput=file:/root/said
StandardError=file:/root/said
ExecStopPost=/bin/kill -s RTMIN+14 1
UNIT

# A group of processes of its own, below the one that this runs in.
cgroups=$layer/cgroups
mkdir "$cgroups"
mount -t cgroup2 none "$cgroups"
above=$cgroups$(sed -n 's/^0:://p' /proc/self/cgroup)
own=$above/dewpost-install-$$
mkdir "$own"
leave() {
	echo $$ >"$above/cgroup.procs"
	find "$own" -depth -type d -exec rmdir {} +
}
trap leave EXIT
echo $$ >"$own/cgroup.procs"
unshare --mount --pid --fork --net --uts --ipc --cgroup --kill-child bash "$0" boot "$root" || true
if [ ! -e "$root/root/done" ]; then
	cat "$root/root/said" >&2
	exit 1
fi

# What the layer has that this machine has not, or says dewpost in; but dpkg's
# and shadow's own copies of what was before.
left=0
while read -r path; do
	case $path in
	/var/lib/dpkg/*-old | /etc/*- | /etc/dpkg/dpkg.cfg.d/throwaway | /tmp | /run | /root | /var/cache/man | /var/lib/systemd | /var/log) continue ;;
	esac
	if [ ! -e "$path" ] && [ ! -L "$path" ] || { [ -f "$layer/upper$path" ] && grep -q dewpost "$layer/upper$path"; }; then
		echo "left over: $path"
		left=$((left + 1))
	fi
done < <(cd "$layer/upper" && find . -mindepth 1 | sed 's/^\.//')
echo "leftovers=$left"
