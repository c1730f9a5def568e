#!/usr/bin/env bash
# Fetches the scripts that are not ours: the chart library that the pages carry
# along, and the rules for accessible pages that a test runs. Each has its version
# here and is refused when its bytes are not those that were looked at. Run it to
# change a version; what it leaves in the tree is kept under version control, so
# neither a build nor a test nor the running program needs the network.
set -euo pipefail
cd "$(dirname "$0")/../collector/web"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# fetch NAME VERSION SHA256 TO ABOUT FILE…: takes files out of an npm package.
fetch() {
	local name=$1 version=$2 sha256=$3 to=$4 about=$5
	shift 5
	npm pack --silent --pack-destination "$work" "$name@$version" >/dev/null
	echo "$sha256  $work/$name-$version.tgz" | sha256sum --check --quiet
	tar -xzf "$work/$name-$version.tgz" -C "$work"
	mkdir -p "$to"
	(cd "$work/package" && cp "$@" LICENSE "$OLDPWD/$to")
	rm -r "$work/package"
	cat >"$to/README.md" <<-TEXT
		$about
		Unchanged files of the npm package $name $version, sha256 of its archive
		$sha256.
		Fetched by deploy/vendor.sh; don't edit them here.
	TEXT
}

fetch uplot 1.6.32 4b8a8191e425658e3ea8c8c1314b0fc679c861ee3a1af2b20c7b16ba50b5133d static/uplot \
	"uPlot, MIT licence (see LICENSE): the lines of the charts." \
	dist/uPlot.iife.min.js dist/uPlot.min.css
fetch axe-core 4.14.1 e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745 testdata/axe \
	"axe-core, MPL 2.0 (see LICENSE): rules of WCAG that a test puts every page to. No page carries it." \
	axe.min.js
