#!/usr/bin/env bash
# Start a PostgreSQL server of its own for the tests, or stop it again.
#
#   postgres.sh start FOLDER   make a cluster in FOLDER and print its URL
#   postgres.sh stop FOLDER    stop it and take FOLDER away
#
# The server listens on a socket in FOLDER and on no network, and does not wait for the disk: no
# test cuts the power. Exit code 77: no server can be had here, and why is told on the last line
# of standard error. As root, the server's package is installed where it is missing (set
# BLEND_NO_INSTALL to forbid that), and the server runs as the user postgres, as it refuses to
# run as root.
set -euo pipefail

cannot() { echo "$1" >&2; exit 77; }

bin_folder() {
    local found
    found=$(ls -d /usr/lib/postgresql/*/bin /usr/local/pgsql/bin /opt/homebrew/opt/postgresql*/bin \
        2>/dev/null | sort -V | tail -1)
    if [ -z "$found" ] && command -v initdb >/dev/null; then
        found=$(dirname "$(command -v initdb)")
    fi
    if [ -n "$found" ] && [ -x "$found/initdb" ]; then echo "$found"; fi
}

as_owner() {
    if [ "$(id -u)" = 0 ]; then
        setpriv --reuid=postgres --regid=postgres --init-groups "$@"
    else
        "$@"
    fi
}

start() {
    local folder=$1 bin
    bin=$(bin_folder)
    if [ -z "$bin" ]; then
        [ -z "${BLEND_NO_INSTALL:-}" ] || cannot "PostgreSQL is not installed"
        [ "$(id -u)" = 0 ] || cannot "PostgreSQL is not installed, and only root may install it"
        command -v apt-get >/dev/null || cannot "PostgreSQL is not installed, nor is apt-get"
        { apt-get update && DEBIAN_FRONTEND=noninteractive \
            apt-get install -y --no-install-recommends postgresql; } >/dev/null 2>&1 ||
            cannot "PostgreSQL is not installed, and apt-get could not install it"
        bin=$(bin_folder)
        [ -n "$bin" ] || cannot "PostgreSQL is not installed"
    fi
    if [ "$(id -u)" = 0 ]; then
        id postgres >/dev/null 2>&1 || cannot "there is no user postgres to run the server as"
        chown postgres "$folder"
    fi
    as_owner "$bin/initdb" -D "$folder/data" -U blend -A trust -E UTF8 --no-locale --no-sync \
        >"$folder/initdb.log" 2>&1 || cannot "initdb failed: $(tail -1 "$folder/initdb.log")"
    as_owner "$bin/pg_ctl" -D "$folder/data" -w -l "$folder/server.log" \
        -o "-c listen_addresses='' -c fsync=off -k '$folder'" start >"$folder/start.log" 2>&1 ||
        cannot "the server did not start: $(tail -1 "$folder/server.log")"
    echo "postgresql://blend@/postgres?host=$folder"
}

stop() {
    as_owner "$(bin_folder)/pg_ctl" -D "$1/data" -m immediate stop >/dev/null
    rm -rf "$1"
}

"$1" "$2"
