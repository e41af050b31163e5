#!/bin/sh
# Checks for what a step needs and installs what is missing.
#
#   scripts/need.sh go postgres                         (what `make demo` needs)
#   scripts/need.sh go postgres node chromium gcc git   (what `make test` needs)
#
# It installs with apt-get, and only as root or where sudo asks for no password. Elsewhere it says
# what to install. With NO_INSTALL=1 it never installs. When nothing is missing it prints nothing.
set -eu
PATH=$PATH:/usr/local/go/bin # where Go's own installer puts it

pg_least=15 node_least=18 go_least=21 # from 1.21 on, an older Go fetches the version that go.mod asks for

# has NAME: is this need met? Only cheap checks: this runs before every `make test`.
has() {
	case $1 in
	go)
		version=$(GOTOOLCHAIN=local go env GOVERSION 2>/dev/null) || return 1
		minor=${version#go1.}
		test "${minor%%[!0-9]*}" -ge $go_least 2>/dev/null
		;;
	postgres) # all in one folder, as the program itself looks for them
		for dir in "${SPINDLEBOOK_PGBIN:-}" "$(dirname "$(command -v postgres || echo /none/postgres)")" \
			/usr/lib/postgresql/*/bin /usr/pgsql-*/bin \
			/opt/homebrew/opt/postgresql@*/bin /usr/local/opt/postgresql@*/bin \
			/Applications/Postgres.app/Contents/Versions/*/bin; do
			if ! test -x "$dir/initdb" || ! test -x "$dir/postgres" || ! test -x "$dir/pg_dump"; then continue; fi
			version=$("$dir/postgres" --version) || continue
			version=${version#postgres (PostgreSQL) }
			test "${version%%[!0-9]*}" -ge $pg_least 2>/dev/null && return 0
		done
		return 1
		;;
	node)
		command -v npm >/dev/null || return 1
		version=$(node --version 2>/dev/null) || return 1
		version=${version#v}
		test "${version%%.*}" -ge $node_least 2>/dev/null
		;;
	chromium)
		for name in chromium chromium-browser google-chrome google-chrome-stable; do
			command -v $name >/dev/null && return 0
		done
		test -x "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"
		;;
	gcc) # the race detector needs a C compiler and the C library's headers
		echo '#include <stdlib.h>' | "${CC:-cc}" -E -x c - >/dev/null 2>&1
		;;
	git) command -v git >/dev/null ;;
	curl) command -v curl >/dev/null ;;
	certificates)
		test -n "${SSL_CERT_FILE:-}" || test -e /etc/ssl/certs/ca-certificates.crt ||
			test -e /etc/ssl/cert.pem || test -e /etc/pki/tls/certs/ca-bundle.crt
		;;
	*)
		echo "need.sh: unknown need '$1'" >&2
		exit 2
		;;
	esac
}

# packages NAME: the Debian packages that meet it.
packages() {
	case $1 in
	postgres) echo postgresql ;;
	node) echo nodejs npm ;;
	chromium) echo chromium ;;
	gcc) echo gcc libc6-dev ;;
	git) echo git ;;
	curl) echo curl ;;
	certificates) echo ca-certificates ;;
	esac
}

# advice NAME: one sentence for people who install it themselves.
advice() {
	case $1 in
	go) echo "Go (1.26 or newer): see https://go.dev/doc/install; 'go' must be in PATH or in /usr/local/go/bin." ;;
	postgres) echo "PostgreSQL's server programs, $pg_least or newer: 'apt install postgresql', 'dnf install postgresql-server postgresql-contrib' or 'brew install postgresql@17'; in an unusual place, name their folder in SPINDLEBOOK_PGBIN." ;;
	node) echo "Node.js $node_least or newer, with npm (checks of the API description): 'apt install nodejs npm' or 'brew install node'." ;;
	chromium) echo "Chromium or Chrome (browser tests): 'apt install chromium' or 'brew install --cask google-chrome'." ;;
	gcc) echo "a C compiler with headers (race detector): 'apt install gcc libc6-dev' or 'xcode-select --install'." ;;
	git) echo "git: 'apt install git' or 'brew install git'." ;;
	curl) echo "curl (the README's examples are tried): 'apt install curl' or 'brew install curl'." ;;
	certificates) echo "the certificates of the public authorities: 'apt install ca-certificates'." ;;
	esac
}

missing=
for need in "$@"; do
	has "$need" || missing="$missing $need"
done
test -n "$missing" || exit 0

install= # the packages to install
for need in $missing; do
	packages=$(packages "$need")
	install="$install${packages:+ $packages}"
done

can_install() {
	test -z "${NO_INSTALL:-}" && test -n "$install" && command -v apt-get >/dev/null || return 1
	test "$(id -u)" = 0 && sudo= && return 0
	command -v sudo >/dev/null && sudo -n true 2>/dev/null && sudo="sudo -n"
}

if can_install; then
	echo "Installing:$install"
	log=$(mktemp)
	trap 'rm -f "$log"' EXIT
	apt() {
		# Configuration files that exist are kept, and no question is asked.
		if ! $sudo env DEBIAN_FRONTEND=noninteractive UCF_FORCE_CONFFOLD=1 \
			apt-get -q -o DPkg::Lock::Timeout=300 "$@" >"$log" 2>&1 </dev/null; then
			cat "$log" >&2
			echo "need.sh: 'apt-get $1' failed, see above." >&2
			exit 1
		fi
	}
	apt update
	# Debian's package makes and starts a cluster of its own on port 5432 when it is first installed.
	# We need only the programs. A machine that already has the package keeps its settings.
	conf=/etc/postgresql-common/createcluster.conf
	case $install in *postgresql*)
		if ! test -e $conf; then
			$sudo mkdir -p "${conf%/*}"
			echo 'create_main_cluster = false' | $sudo tee $conf >/dev/null
		fi
		;;
	esac
	# shellcheck disable=SC2086 # a list of names
	apt install -y --no-install-recommends $install
fi

status=0
for need in $missing; do
	if ! has "$need"; then
		echo "Missing: $(advice "$need")" >&2
		status=1
	fi
done
exit $status
