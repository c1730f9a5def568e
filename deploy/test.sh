#!/usr/bin/env bash
# Everything that must hold before a change is kept: static analysis, tests
# under the race detector, quick proofs. Installs by apt what the tests need
# and is missing; the rest comes through Go's module proxy.
set -euo pipefail
cd "$(dirname "$0")/.."
export PATH="$PATH:/usr/sbin"
# As programs are built for packages; one way of it for all that follows, for the
# database alone takes a minute to compile. The race detector needs the other.
export CGO_ENABLED=0

missing=()
command -v mosquitto >/dev/null || missing+=(mosquitto)
command -v pg_ctlcluster >/dev/null || missing+=(postgresql)
command -v chromium >/dev/null || missing+=(chromium)
command -v pdftotext >/dev/null || missing+=(poppler-utils)
command -v lintian >/dev/null || missing+=(lintian)
command -v systemd-analyze >/dev/null || missing+=(systemd)
command -v man >/dev/null || missing+=(man-db)
command -v ip >/dev/null || missing+=(iproute2)
command -v dbus-daemon >/dev/null || missing+=(dbus)
command -v pkcheck >/dev/null || missing+=(polkitd)
command -v qemu-arm >/dev/null || missing+=(qemu-user)
if [ ${#missing[@]} -gt 0 ]; then
	echo "== installing ${missing[*]}"
	apt-get update -qq
	DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
fi

staticcheck=honnef.co/go/tools/cmd/staticcheck@v0.8.2
gofumpt=mvdan.cc/gofumpt@v0.12.0
deadcode=golang.org/x/tools/cmd/deadcode@v0.52.0
errcheck=github.com/kisielk/errcheck@v1.30.0

# silent NAME COMMAND…: fails when the command prints anything.
silent() {
	local name=$1 out
	shift
	echo "== $name"
	out=$("$@")
	if [ -n "$out" ]; then
		printf '%s\n' "$out"
		echo "$name: the lines above"
		return 1
	fi
}

echo "== go vet"
go vet ./...
echo "== staticcheck"
go run $staticcheck ./...
silent gofumpt go run $gofumpt -l .
silent deadcode go run $deadcode ./...
silent "go mod tidy" go mod tidy -diff
# Where readings are kept no error may be dropped, not even by name.
echo "== errcheck"
go run $errcheck -blank -ignoretests ./agent/spool ./collector/store ./collector/intake ./collector/fold ./collector/backup
# The race detector makes programs ten times slower. Without it run: what the proofs
# below run; commands, and promises of the store, which do one thing after the other;
# what takes every step of the store, weeks of many stations, looks at pages in a
# browser, reads all source, or runs programs, which aren't built for it: books, export,
# importer, house, install, most of fold, store and web; and rules, which are pure,
# beside which nothing runs, and which simulate years.
# All is compiled for it, other people's code too: of a generic function that two packages
# share one copy is linked, and one that the detector doesn't see hides what it orders.
proofs='^(TestMainJob|TestCustody|TestPower|TestSQLite|TestPostgres|TestHostile|TestMoveWhileReadingsArrive|TestDetection|TestOtherBoxes|TestCluster|TestWatcher|TestInstall|TestFootprint)$'
plain='^(TestClosedDaysArePacked|TestSeriesOfManyStations|TestScripts|TestManual.*|TestRestored|TestAlarmsDelivered|TestBackupAndRestore|TestSpeed|TestSoak|TestDemo|TestQuarantine|TestWhatIsWrongIsSeen|TestOldReadingsAreLetGo|TestReplayKilled)$'
apart='^dewpost/(rules/.*|collector/(books|export|fold|importer|store|web)|deploy/(house|install))$'
mapfile -t packages < <(go list ./... | grep -Ev "$apart")
mapfile -t others < <(go list ./... | grep -E "$apart" | sort -t/ -k2,2 -k3,3r) # web first, which takes longest

raced() {
	CGO_ENABLED=1 go test -race -vet=off -p "$(nproc)" -count=1 -timeout 25m "$@"
}
races() {
	echo "== go test -race"
	raced -shuffle=on -skip "$proofs|$plain" "${packages[@]}"
	# Of the largest packages, what meets in them.
	raced -run '^Test(Run|Live|BadFormsWithLogs|.*AtOnce)' ./collector/fold ./collector/web
	raced -run '^TestSQLite$/^(ConcurrentReaders|CancelledCommit|MarkOvertaken|PackingMeetsACommit|RewriteWaits|Move|Reopen)$' ./collector/store
	for proof in main custody power; do prove $proof; done
}
prove() {
	echo "== proof $1"
	bash deploy/prove.sh "$1" --quick
}

# Much waits for servers, programs and pages, so both halves run at once, and each to
# its end. What runs in the background isn't told of an interrupt.
log=$(mktemp)
# In memory a sync takes no time, and tests wait for many thousands. They run what they
# build in there too, which isn't allowed everywhere.
memory=
room=$(df --output=avail -B1G /dev/shm 2>/dev/null | tail -1) || true
if [ "${room:-0}" -ge 4 ]; then
	memory=$(mktemp -d /dev/shm/dewpost-test-XXXXXX)
	cp "$(type -P true)" "$memory"
	if "$memory/true" 2>/dev/null; then
		export GOTMPDIR="${TMPDIR:-/tmp}" TMPDIR=$memory
	fi
fi
trap 'rm -rf "$log" "$memory"' EXIT
trap 'trap - TERM; kill 0' INT
(set -e; races) >"$log" 2>&1 &
failed=0
echo "== go test"
go test -vet=off -p "$(nproc)" -shuffle=on -count=1 -timeout 25m -skip "$proofs" "${others[@]}" || failed=1
go test -vet=off -p "$(nproc)" -count=1 -timeout 25m -run "$plain" ./cmd/dewpost ./agent ./collector ./collector/backup ./collector/doctor ./collector/notify ./deploy/speed || failed=1
for proof in hostile stores detection; do prove $proof || failed=1; done
wait $! || failed=1
cat "$log"
exit $failed
