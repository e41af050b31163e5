#!/bin/sh
# Runs one gate quietly and prints one line with its time; on failure also all that it wrote.
# So gates can run side by side and their output does not mix.
#
#   scripts/stage.sh NAME COMMAND [ARGUMENT...]
set -u
name=$1
shift
log=$(mktemp)
trap 'rm -f "$log"' EXIT
start=$(date +%s)
"$@" >"$log" 2>&1 </dev/null
status=$?
seconds=$(($(date +%s) - start))
if test $status = 0; then
	printf 'ok    %-12s %4d s\n' "$name" $seconds
else
	{
		printf 'FAIL  %-12s %4d s\n' "$name" $seconds
		sed 's/^/      /' "$log"
	} >"$log.all"
	cat "$log.all" # in one write, so that a neighbour's line does not fall into it
	rm -f "$log.all"
fi
exit $status
