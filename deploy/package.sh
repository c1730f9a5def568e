#!/usr/bin/env bash
# bash deploy/package.sh OUT [ARCH…]
# Builds the Debian packages of collector and agent into the folder OUT, for
# amd64, arm64 and armhf, or those that are named, and beside each a list of what
# is in its program (an SBOM in CycloneDX), which is in the package, too.
# Programs are static; armhf is ARMv6, as the smallest boards are. What is built
# depends on the tree and on the Go toolchain only: not on time, folder, user or
# version control. deploy/package/changelog says version and date. GZIP_LEVEL=1
# makes larger packages, sooner.
set -euo pipefail
umask 022
export LC_ALL=C TZ=UTC
out=${1:?package.sh: name the folder for the packages}
shift
archs=("$@")
[ ${#archs[@]} -gt 0 ] || archs=(amd64 arm64 armhf)
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$(dirname "$0")/.."

# built TOOL: where the build cache keeps it. The run that links it runs a copy
# that is gone afterwards.
built() {
	go run -exec true "$1"
	go run -exec echo "$1"
}
nfpm=$(built github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2)
sbom=$(built github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.9.0)
changelog=deploy/package/changelog

full=$(sed -n '1s/.*(\(.*\)).*/\1/p' $changelog)
export VERSION=${full%-*} RELEASE=${full##*-}
MAINTAINER=$(sed -n 's/^ -- \(.*>\)  .*/\1/p' $changelog | head -n 1)
date=$(sed -n 's/^ -- .*>  //p' $changelog | head -n 1)
SOURCE_DATE_EPOCH=$(date -d "$date" +%s)
export MAINTAINER SOURCE_DATE_EPOCH
day=$(date -d "$date" +%Y-%m-%d)

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# build GOARCH INTO: both programs.
build() {
	CGO_ENABLED=0 GOOS=linux GOARCH=$1 GOARM=6 go build -trimpath -buildvcs=false \
		-ldflags "-s -w -buildid= -X dewpost/cmd/manual.release=$VERSION" -o "$2/" ./cmd/dewpost ./cmd/dewpost-agent
}

# copyright PROGRAM: our notice, then those of everything that is linked in.
copyright() {
	cat deploy/package/copyright
	{
		echo "std $(go env GOROOT)"
		go version -m "$1" | awk '$1 == "dep" { print $2 }' | xargs go list -m -f '{{.Path}} {{.Dir}}'
	} | while read -r module dir; do
		for file in "$dir"/LICEN[CS]E* "$dir"/COPYING* "$dir"/NOTICE*; do
			[ -f "$file" ] || continue
			printf '\n---- %s: %s\n\n' "$module" "${file##*/}"
			if grep -q 'TERMS AND CONDITIONS FOR USE, REPRODUCTION' "$file"; then
				echo "Apache License, Version 2.0: /usr/share/common-licenses/Apache-2.0"
			else
				cat "$file"
			fi
		done
	done
}

# installed: a text with the names of files where packages have them.
installed() {
	sed -E 's#deploy/((FITTING|WIRE)\.md)#/usr/share/doc/dewpost/\1#g
		s#deploy/agent\.toml#/usr/share/doc/dewpost-agent/examples/agent.toml#g
		s#deploy/([a-z]+\.(toml|conf|acl))#/usr/share/doc/dewpost/examples/\1#g'
}

# doc PROGRAM: what a package has of papers.
doc() {
	local name=$1 tree=$2 doc=$2/usr/share/doc/$1 toml=dewpost.toml
	[ "$name" = dewpost ] || toml=agent.toml
	mkdir -p "$doc/examples" "$tree/usr/share/man/man1" "$tree/usr/share/man/man5" "$tree/usr/share/bash-completion/completions" "$tree/usr/share/lintian/overrides"
	copyright "$tree/usr/bin/$name" >"$doc/copyright"
	sed "s/PACKAGE/$name/" $changelog | gzip -9n >"$doc/changelog.Debian.gz"
	"$work/native/$name" manual --date "$day" | installed | gzip -9n >"$tree/usr/share/man/man1/$name.1.gz"
	"$work/native/$name" manual --date "$day" --settings deploy/$toml | installed | gzip -9n >"$tree/usr/share/man/man5/$name.toml.5.gz"
	"$work/native/$name" completion >"$tree/usr/share/bash-completion/completions/$name"
	installed <deploy/$toml >"$doc/examples/$toml"
	sed "s/PACKAGE/$name/g" deploy/package/lintian >"$tree/usr/share/lintian/overrides/$name"
	if [ "$name" = dewpost ]; then
		installed <README.md | gzip -9n >"$doc/README.md.gz"
		cp -r deploy/FITTING.md deploy/fitting deploy/WIRE.md "$doc/"
		cp deploy/mosquitto.conf deploy/mosquitto.acl "$doc/examples/"
	else
		cp -r deploy/FITTING.md deploy/fitting "$doc/"
		cp deploy/package/recovery.rules deploy/package/lamp.rules deploy/package/drop-in.conf "$doc/examples/"
	fi
}

# pack PROGRAM ARCH: its package, and its list.
pack() {
	local name=$1 arch=$2 tree
	export STAGE=$work/$arch-$name ARCH=$arch
	[ "$arch" != armhf ] || ARCH=arm6
	tree=$STAGE/tree
	mkdir -p "$tree/usr/bin" "$tree/usr/lib/systemd/system" "$tree/usr/lib/sysusers.d" "$STAGE/etc"
	cp "$work/$arch/$name" "$tree/usr/bin/"
	cp "deploy/package/$name.service" "$tree/usr/lib/systemd/system/"
	cp "deploy/package/$name.sysusers" "$tree/usr/lib/sysusers.d/$name.conf"
	sed 's#^path = "dewpost.db"#path = "/var/lib/dewpost/dewpost.db"#' deploy/dewpost.toml | installed >"$STAGE/etc/dewpost.toml"
	doc "$name" "$tree"
	# The tool writes its time into the list.
	"$sbom" bin -json -noserial -version "$VERSION" "$tree/usr/bin/$name" 2>/dev/null |
		sed "s/\"timestamp\": \".*\"/\"timestamp\": \"$(date -d "$date" +%Y-%m-%dT%H:%M:%SZ)\"/" >"$out/${name}_${full}_$arch.cdx.json"
	gzip -9n <"$out/${name}_${full}_$arch.cdx.json" >"$tree/usr/share/doc/$name/sbom.cdx.json.gz"
	chmod -R u=rwX,go=rX "$tree" # whatever rights the files here have
	sed "s/compression: gzip/&:${GZIP_LEVEL:-6}/" "deploy/package/$name.yaml" >"$STAGE/$name.yaml"
	"$nfpm" package --config "$STAGE/$name.yaml" --packager deb --target "$out/${name}_${full}_$arch.deb" >/dev/null
}

build "$(go env GOHOSTARCH)" "$work/native"
for arch in "${archs[@]}"; do
	case $arch in
	amd64 | arm64) goarch=$arch ;;
	armhf) goarch=arm ;;
	*)
		echo "package.sh: unknown architecture '$arch': known are amd64, arm64 and armhf" >&2
		exit 2
		;;
	esac
	if [ $goarch = "$(go env GOHOSTARCH)" ]; then
		cp -r "$work/native" "$work/$arch"
	else
		build $goarch "$work/$arch"
	fi
	pack dewpost "$arch" &
	collector=$!
	pack dewpost-agent "$arch"
	wait $collector
done
ls "$out"
