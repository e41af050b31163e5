#!/bin/sh
# Makes the two roles and the database, once, on a new PostgreSQL (15 or newer). The image runs it at the
# first start of an empty volume. By hand, as the database's superuser:
#
#   SECRETS=deploy/secrets deploy/postgres-init/10-roles.sh
#
# It reads the passwords from the files db_owner and db_app in the folder SECRETS. It never changes
# roles that exist: then it stops at the first statement.
set -eu

SECRETS=${SECRETS:-/run/secrets}
for file in "$SECRETS/db_owner" "$SECRETS/db_app"; do
	if ! test -s "$file"; then
		echo "10-roles.sh: the password file $file is missing or empty; deploy/make-secrets.sh makes it" >&2
		exit 1
	fi
done
export SECRETS

# psql reads the files itself: so the passwords do not show in the list of processes. The statements
# are not logged either.
psql --no-psqlrc --quiet --set ON_ERROR_STOP=1 --username "${POSTGRES_USER:-postgres}" --dbname postgres <<'SQL'
\set owner_password `cat "$SECRETS/db_owner"`
\set app_password `cat "$SECRETS/db_app"`
set log_statement = 'none';
set log_min_error_statement = 'panic';
set password_encryption = 'scram-sha-256';

-- Owns the database and everything in it: migrates, backs up, restores.
create role spindlebook_owner login nosuperuser nocreatedb nocreaterole noreplication
  password :'owner_password';

-- Serves. Owns nothing; the migrations grant it table by table.
create role spindlebook_app login nosuperuser nocreatedb nocreaterole noreplication nobypassrls
  password :'app_password';

create database spindlebook owner spindlebook_owner template template0
  encoding 'UTF8' locale 'C.UTF-8';

-- Nobody else may even connect. Temporary tables are needed for loading many rows at once.
revoke all on database spindlebook from public;
grant connect, temporary on database spindlebook to spindlebook_app;
SQL
