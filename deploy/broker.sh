#!/bin/sh
# Starts the broker with its accounts and rules, which come as two secrets: broker_accounts, a line NAME:PASSWORD for each,
# and broker_acl. What it makes of them lies in memory: the passwords hashed, and an account for the health check alone
# whose password nobody knows and every start makes anew.
set -eu
umask 077
secrets=${1:-/run/secrets}
made=${2:-/tmp}
conf=${3:-/mosquitto/config/mosquitto.conf}

health=$(od -An -N24 -tx1 /dev/urandom | tr -d ' \n')
{ grep -v '^#' "$secrets/broker_accounts"; echo "health:$health"; } > "$made/accounts"
mosquitto_passwd -U "$made/accounts"
{ cat "$secrets/broker_acl"; printf '\nuser health\ntopic read $SYS/broker/version\n'; } > "$made/acl"
# mosquitto_sub reads its options here when XDG_CONFIG_HOME is this folder.
printf -- '-u health\n-P %s\n' "$health" > "$made/mosquitto_sub"
exec mosquitto -c "$conf"
