#!/bin/sh
# Makes the passwords of the database, once, in deploy/secrets/. Nothing there is ever overwritten.
#
# The folder is closed to other users of this machine. The files in it can be read by all, because the
# containers get them as they are and none of them runs as root.
set -eu
cd "$(dirname "$0")"
umask 077
mkdir -p secrets
umask 022

for name in db_superuser db_owner db_app; do
	# Letters and digits only, so that it needs no escaping in a URL: 43 of 62 are 256 bits.
	if ! test -s secrets/$name; then
		LC_ALL=C tr -dc 'A-Za-z0-9' </dev/urandom | head -c 43 >secrets/$name
	fi
done

# The same passwords as the program takes them. Without TLS, because the database can only be reached
# on the containers' own network, inside one machine.
url() { printf '%s=postgres://%s:%s@db:5432/spindlebook?sslmode=disable\n' "$1" "$2" "$(cat "secrets/$3")"; }
test -s secrets/owner.env || url DATABASE_OWNER_URL spindlebook_owner db_owner >secrets/owner.env
test -s secrets/app.env || url DATABASE_URL spindlebook_app db_app >secrets/app.env
chmod 600 secrets/*.env # read by compose itself, not in a container

echo "The secrets are in $(pwd)/secrets; keep a copy where your backups are not."
