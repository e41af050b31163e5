#!/bin/sh
# Tries README's two commands on a bare Debian: `make demo` until it answers, then `make test`.
#
#   scripts/bare-trial.sh            (as root; needs debootstrap, git and Go; takes some minutes)
#
# The new machine is a folder with Debian's smallest system and what README asks for: git, make, Go.
# It gets the last commit of this checkout, not what is uncommitted. It works in mount and process
# namespaces of its own, so that what it mounts and starts ends with it.
#
#   BARE_SUITE=bookworm        the Debian to try
#   BARE_MIRROR=URL            where from; as a rule, where this machine has it from
#   BARE_TAR=FILE              keeps the new system, as the next run's start (saves half a minute)
#   BARE_RUN='make test'       what to run in it, instead of both commands
set -eu

say() { printf '%s  %s\n' "$(date -u +%H:%M:%S)" "$*"; }

# timed NAME COMMAND...: its output goes through; its time is said at the end.
timed() {
	name=$1
	shift
	say "$name"
	begin=$(date +%s)
	"$@" || {
		say "$name FAILED after $(($(date +%s) - begin)) s"
		exit 1
	}
	say "$name took $(($(date +%s) - begin)) s"
}

# ---------------------------------------------------------------- outside: make the folder, clean up

outside() {
	test "$(id -u)" = 0 || { echo "bare-trial.sh: run it as root, it mounts and makes a root folder" >&2; exit 1; }
	for program in debootstrap unshare git go tar; do
		command -v $program >/dev/null || { echo "bare-trial.sh: $program is missing" >&2; exit 1; }
	done
	checkout=$(cd "$(dirname "$0")/.." && git rev-parse --show-toplevel)
	test -z "$(git -C "$checkout" status --porcelain)" || say "note: what is uncommitted is not tried"
	suite=${BARE_SUITE:-bookworm}
	dir=$(mktemp -d "${TMPDIR:-/tmp}/bare-trial.XXXXXX")
	root=$dir/root
	# The mounts are seen only inside the namespace; here the folder is just files.
	trap 'rm -rf --one-file-system "$dir"' EXIT
	child=
	trap 'test -z "$child" || kill -KILL $child; sleep 1; exit 130' INT TERM

	if test -n "${BARE_TAR:-}" && test -e "$BARE_TAR"; then
		timed "unpack the system" tar xf "$BARE_TAR" -C "$dir"
	else
		timed "debootstrap $suite" bootstrap
		test -z "${BARE_TAR:-}" || tar cf "$BARE_TAR" -C "$dir" root
	fi
	network
	git clone -q "file://$checkout" "$root/root/spindlebook"
	write_environment >"$root/environment.sh"
	# --kill-child: when unshare is killed, everything that was started in there ends too. In the
	# background, because the first process of a namespace does not hear Ctrl-C.
	unshare --mount --pid --fork --kill-child --propagation private \
		"$0" --inside "$root" "$(go env GOROOT)" &
	child=$!
	wait $child
}

bootstrap() {
	# shellcheck disable=SC2016 # apt's own words, not the shell's
	mirror=${BARE_MIRROR:-$(apt-get indextargets --format '$(REPO_URI)' 'Created-By: Packages' "Release: $suite" 2>/dev/null | head -1)}
	# shellcheck disable=SC2086 # no mirror: debootstrap's own default
	debootstrap --variant=minbase --include=ca-certificates,git,make "$suite" "$root" $mirror >"$dir/log" 2>&1 ||
		{ tail -20 "$dir/log"; return 1; }
}

# The way to the network is this machine's: names, authorities, package sources. Nothing else is copied.
network() {
	cp -L /etc/resolv.conf "$root/etc/resolv.conf"
	# The bundle as it is here, and its local parts, from which the next installation makes it again.
	for file in /usr/local/share/ca-certificates/*.crt; do
		if test -e "$file"; then cp -L "$file" "$root$file"; fi
	done
	if test -e /etc/ssl/certs/ca-certificates.crt; then
		cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/ca-certificates.crt"
	fi
	if grep -qs "$suite" /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources; then
		rm -f "$root/etc/apt/sources.list"
		for file in /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources; do
			if test -e "$file" && grep -q "$suite" "$file"; then cp "$file" "$root$file"; fi
		done
		for file in /usr/share/keyrings/*.gpg /etc/apt/keyrings/* /etc/apt/trusted.gpg.d/*; do
			if test -e "$file"; then install -D -m 644 "$file" "$root$file"; fi
		done
	fi
	# Of apt's settings only those about fetching: others name programs that a bare machine does not have.
	for file in /etc/apt/apt.conf.d/*; do
		if grep -qi '^[[:space:]]*acquire' "$file"; then cp "$file" "$root$file"; fi
	done
	# Nothing may start services in there: there is no init to stop them.
	printf '#!/bin/sh\nexit 101\n' >"$root/usr/sbin/policy-rc.d"
	chmod 755 "$root/usr/sbin/policy-rc.d"
}

# The caller's proxy, registries and authorities, as lines for a shell; nothing else of the environment.
write_environment() {
	quote() { printf "export %s='%s'\n" "$1" "$(printf %s "$2" | sed "s/'/'\\\\''/g")"; }
	for name in GOPROXY GOSUMDB GONOSUMDB GONOPROXY GOPRIVATE GOINSECURE GOFLAGS; do
		quote $name "$(cd / && go env $name)" # from go's own settings file too
	done
	# A newer Go is not fetched: the one bound in is the one to try.
	echo "export GOTOOLCHAIN=local"
	if command -v npm >/dev/null; then
		quote npm_config_registry "$(cd / && npm config get registry)"
	fi
	env | sed -n 's/^\(\(https\{0,1\}\|all\|no\|HTTPS\{0,1\}\|ALL\|NO\)_\(proxy\|PROXY\)\|npm_config_[a-z_]*\|NPM_CONFIG_[A-Z_]*\|SSL_CERT_FILE\|SSL_CERT_DIR\|NODE_EXTRA_CA_CERTS\|GIT_SSL_CAINFO\|CURL_CA_BUNDLE\)=.*/\1/p' |
		while read -r name; do
			quote "$name" "$(printenv "$name")"
		done
}

# ---------------------------------------------------------------- inside the namespaces: mount, chroot

inside() {
	root=$1 goroot=$2
	mount -t proc proc "$root/proc"
	mount --bind /dev "$root/dev"
	mkdir -p "$root/dev/shm" "$root/dev/pts"
	mount -t tmpfs tmpfs "$root/dev/shm"
	mount -t devpts devpts "$root/dev/pts" -o newinstance,ptmxmode=0666 || true
	mkdir -p "$root/usr/local/go"
	mount --bind "$goroot" "$root/usr/local/go"
	mount -o remount,bind,ro "$root/usr/local/go"
	cp "$0" "$root/bare-trial.sh"
	exec env -i HOME=/root LANG=C.UTF-8 TERM=dumb PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
		${BARE_RUN:+"BARE_RUN=$BARE_RUN"} chroot "$root" /bin/sh /bare-trial.sh --new-machine
}

# ---------------------------------------------------------------- on the new machine

new_machine() {
	# shellcheck source=/dev/null
	. /environment.sh
	export CI=true # a missing program must fail the tests, not skip them
	# Not the usual ports: the network is still this machine's, and something may listen there.
	export SPINDLEBOOK_LISTEN=127.0.0.1:18080 SPINDLEBOOK_METRICS=127.0.0.1:19090
	cd /root/spindlebook
	if test -n "${BARE_RUN:-}"; then
		timed "$BARE_RUN" sh -c "$BARE_RUN"
	else
		timed "make demo, until it answers" demo_answers
		timed "make demo again, until it answers" demo_answers
		timed "make test" make test
	fi
	say "the new machine has $(du -shx / 2>/dev/null | cut -f1) now"
}

demo_answers() {
	make demo >/demo.log 2>&1 &
	make=$!
	until bin/spindlebook health >/dev/null 2>&1; do
		kill -0 $make 2>/dev/null || { cat /demo.log; return 1; }
		sleep 0.2
	done
	tail -15 /demo.log
	kill -TERM $make # make hands it on to the program
	wait $make || true
	if bin/spindlebook health >/dev/null 2>&1; then
		echo "it still answers after it was stopped"
		return 1
	fi
}

case ${1:-} in
--inside) inside "$2" "$3" ;;
--new-machine) new_machine ;;
*) outside ;;
esac
