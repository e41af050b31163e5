#!/bin/sh
# Fuzzes each target for the given time, one after the other: go test takes only one at once.
#
#   scripts/fuzz.sh 10s [FLAG...]
set -eu
time=$1
shift
found=0
for package in $(go list "$@" ./...); do
	for target in $(go test "$@" -list '^Fuzz' "$package" | grep '^Fuzz' || true); do
		found=$((found + 1))
		echo "== $package $target"
		go test "$@" -run '^$' -fuzz "^$target\$" -fuzztime "$time" "$package"
	done
done
echo "$found fuzz targets ran for $time each"
