#!/usr/bin/env bash
# Fetches the chart library that the pages carry along, at the version written
# here, and refuses it when its bytes are not those that were looked at. Run it
# to change the version; what it leaves in the tree is kept under version
# control, so neither a build nor the running program needs the network.
set -euo pipefail
cd "$(dirname "$0")/../collector/web/static/uplot"

version=1.6.32
sha256=4b8a8191e425658e3ea8c8c1314b0fc679c861ee3a1af2b20c7b16ba50b5133d

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
npm pack --silent --pack-destination "$work" "uplot@$version" >/dev/null
echo "$sha256  $work/uplot-$version.tgz" | sha256sum --check --quiet
tar -xzf "$work/uplot-$version.tgz" -C "$work"
cp "$work/package/dist/uPlot.iife.min.js" "$work/package/dist/uPlot.min.css" "$work/package/LICENSE" .
cat >README.md <<TEXT
uPlot $version, MIT licence (see LICENSE): the lines of the charts.
Unchanged files of the npm package uplot, sha256 of its archive
$sha256.
Fetched by deploy/vendor-uplot.sh; don't edit them here.
TEXT
