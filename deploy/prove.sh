#!/usr/bin/env bash
# bash deploy/prove.sh NAME [--quick] [--seed N] [--n N]
# Runs one proof and ends with one line "NAME: key=value key=value …".
#   main   every ledger hour that a collector serves equals an offline
#          assessment of the same log, over real brokers and programs; all of
#          it is quick, so --quick changes nothing, and there is no count for --n
set -euo pipefail
cd "$(dirname "$0")/.."
export PATH="$PATH:/usr/sbin"

name=${1:-}
[ $# -gt 0 ] && shift
export PROOF_SEED=1
while [ $# -gt 0 ]; do
	case $1 in
	--quick) ;;
	--seed) PROOF_SEED=${2:?--seed needs a number} && shift ;;
	--n) : "${2:?--n needs a number}" && shift ;;
	*)
		echo "prove.sh: unknown option $1" >&2
		exit 2
		;;
	esac
	shift
done

case $name in
main) package=./cmd/dewpost run='^TestMainJob$' ;;
*)
	echo "prove.sh: unknown proof '$name': known are main" >&2
	exit 2
	;;
esac

out=$(mktemp)
trap 'rm -f "$out"' EXIT
if ! go test -count=1 -timeout 60m -run "$run" -v "$package" >"$out" 2>&1; then
	cat "$out"
	exit 1
fi
grep "^$name: " "$out" | tail -n 1
