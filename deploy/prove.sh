#!/usr/bin/env bash
# bash deploy/prove.sh NAME [--quick] [--seed N] [--n N]
# Runs one proof and ends with one line "NAME: key=value key=value …".
#   main     every ledger hour that a collector serves equals an offline
#            assessment of the same log, over real brokers and programs; all of
#            it is quick, so --quick changes nothing, and there is no count for --n
#   custody  agent, broker and collector killed at any instant: no reading lost,
#            none doubled; --n is the number of kills that count
#   power    every state that a power cut or a failing disk can leave spool and
#            store in
#   hostile  who may do what, tried by those who may not; each with its control
#   stores   everything that a store promises, on SQLite and on PostgreSQL; and a
#            store that is moved from one to the other while readings arrive
#   cluster  three collectors share a broker and a database while they, the broker
#            and the database's server are killed; --n is the number of kills
#   storm    all stations connect at once; --n is their number
#   detection  troubles of simulated boxes are found in time, each under its
#            own name, and sound boxes are left alone; --n is the number of boxes;
#            and again with boxes of another simulator, which has other physics
#   alarms   what a wet half-year does to a person's phone, with thirty sound
#            stations and with a thousand, troubles and outages seeded; and that
#            messages reach people though mail servers and receivers fail in every
#            way and the program is killed between sending and noting it; --n is
#            the number of those
#   outlook  the coming night foretold for three places, each as one that nobody
#            has seen before; all of it is quick
#   watcher  a collector that is broken in seven ways, and when another
#            installation has told people of it; needs root or user name spaces;
#            quick: thirty times as fast as in earnest, else by the minute
#   install  packages are bit-identical wherever they are built, lintian and
#            systemd-analyze find nothing, and in a root of its own they install,
#            work, upgrade and go without a trace; quick: amd64 only, and the
#            second build shares the compiler's cache
#   round    plans of rounds against published instances with a proven best, and
#            against trying everything; how long 200 stations and four weeks take
#   pages    every page in both themes and on a phone by the rules of WCAG 2.2 as
#            far as a program can judge them, the ways of the people who use them in
#            a browser, what a page weighs and how long the server needs for it;
#            quick: each page in one look, and few stations
#   speed    what a collector does in a second and takes of a machine, each figure
#            beside its floor from the same run, and how it grows with the number
#            of stations; no figure makes it fail, only what is lost
#   soak     an hour of stations that come and go, send late, twice and what can't
#            be read, at both brokers, one of which is killed now and then: whether
#            memory, descriptors and goroutines stay as they are, and the ledger is
#            right; --n is another number of minutes
#   footprint  what an agent takes of a machine, and whether it runs on every board;
#            quick: readings each second for a few, and the smallest board, else each
#            minute for an hour; --n is another number of minutes
# --quick ends within half a minute; power, stores and install need somewhat longer.
# The same --seed makes the same trials.
set -euo pipefail
cd "$(dirname "$0")/.."
export PATH="$PATH:/usr/sbin"

name=${1:-}
[ $# -gt 0 ] && shift
export PROOF_SCALE=full PROOF_SEED=1 PROOF_N=
while [ $# -gt 0 ]; do
	case $1 in
	--quick) PROOF_SCALE=quick ;;
	--seed) PROOF_SEED=${2:?--seed needs a number} && shift ;;
	--n) PROOF_N=${2:?--n needs a number} && shift ;;
	*)
		echo "prove.sh: unknown option $1" >&2
		exit 2
		;;
	esac
	shift
done

case $name in
main) run='^TestMainJob$' packages=./cmd/dewpost ;;
custody) run='^TestCustody$' packages=./cmd/dewpost ;;
power) run='^TestPower$' packages='./agent/spool ./collector/store' ;;
hostile) run='^TestHostile$' packages=./cmd/dewpost ;;
stores)
	run='^(TestSQLite|TestPostgres|TestMoveWhileReadingsArrive)$' packages='./collector/store ./cmd/dewpost'
	;;
cluster) run='^TestCluster$' packages=./cmd/dewpost ;;
storm) run='^TestStorm$' packages=./cmd/dewpost ;;
life) run='^TestLife$' packages=./rules/life ;;
outlook) run='^TestOutlook$' packages=./rules/outlook ;;
detection) run='^(TestDetection|TestOtherBoxes)$' packages=./rules/detect ;;
alarms) run='^TestAlarms' packages='./collector ./collector/notify' ;;
watcher) run='^TestWatcher$' packages=./cmd/dewpost ;;
round) run='^TestRound$' packages=./rules/round ;;
pages)
	run='^(TestEveryPageForEverybody|TestEveryPageIsPutToTheRules|TestJourneys|TestTodayInABrowser|TestTheFormWithoutReception|TestLogInABrowser|TestWhatPagesWeigh|TestGermanPages|TestEveryTextIsTranslated)$'
	packages=./collector/web
	;;
install) run='^TestInstall$' packages=./deploy/install ;;
soak) run='^TestSoak$' packages=./deploy/speed ;;
speed) run='^TestSpeed$' packages=./deploy/speed ;;
footprint) run='^(TestFootprint|TestSmallPrograms)$' packages=./deploy/install ;;
*)
	echo "prove.sh: unknown proof '$name': known are main, custody, power, hostile, stores, cluster, storm, alarms, watcher, detection, outlook, life, round, pages, install, speed, soak, footprint" >&2
	exit 2
	;;
esac

out=$(mktemp)
trap 'rm -f "$out"' EXIT
# shellcheck disable=SC2086
if ! go test -vet=off -count=1 -parallel 4 -timeout 170m -run "$run" -v $packages >"$out" 2>&1; then
	cat "$out"
	exit 1
fi
# A proof may have parts, which are shown before it: NAME(PART): key=value …
grep "^$name(" "$out" || true
# A proof in several packages has a line from each; their numbers are added.
awk -v name="$name:" '
	$1 == name {
		for (i = 2; i <= NF; i++) {
			split($i, kv, "=")
			if (!seen[kv[1]]++) {
				order[++n] = kv[1]
				value[kv[1]] = kv[2]
			} else if (kv[2] ~ /^[0-9.]+$/) {
				value[kv[1]] += kv[2]
			} else if (value[kv[1]] != kv[2]) {
				value[kv[1]] = value[kv[1]] "/" kv[2]
			}
		}
	}
	END {
		if (!n) { print name " no result" > "/dev/stderr"; exit 1 }
		printf "%s", name
		for (i = 1; i <= n; i++) printf " %s=%s", order[i], value[order[i]]
		print ""
	}' "$out"
