# The words of runbooks.md, the same for an installation with compose and one with systemd. As root, in this folder:
#   . ./operate.sh
# bell WORDS…       earlybell's command line under the settings of the service, whether it runs or not; with shards in
#                   compose BELL_SERVICE is whose (earlybell: the catch-all)
# unit ACTION NAME  start, stop or restart one of: earlybell, broker, postgres
# logs NAME         what one of them said in the last hour
# ask PATH [CURL…]  what the service answers; BELL_URL is where it is, BELL_TOKEN a token of yours (role read)
# at_broker WORDS…  a command where the broker keeps its file, while the broker stands still
: "${BELL_URL:=http://127.0.0.1:8080}" "${BELL_TOKEN:=}" "${BACKUPS:=/var/backups/earlybell}"
: "${BELL:=/opt/earlybell/bin/earlybell}" "${BELL_ETC:=/etc/earlybell}"
: "${BROKER_HOME:=/var/lib/mosquitto}" "${BELL_SERVICE:=earlybell}"

# The token isn't on the command line, where everybody on this machine reads it.
ask() {
  path=$1
  shift
  printf '%s' "${BELL_TOKEN:+Authorization: Bearer $BELL_TOKEN}" | curl -sS --max-time 10 -H @- "$@" "$BELL_URL$path" && echo
}

if systemctl cat earlybell.service >/dev/null 2>&1; then
  : "${BELL_HOME:=/var/lib/earlybell}"
  # Secrets by file are those that the unit loads.
  bell() (
    cd "$BELL_HOME" || exit
    [ ! -e "$BELL_ETC/store_url" ] || export EARLYBELL_STORE__URL_FILE="$BELL_ETC/store_url"
    [ ! -e "$BELL_ETC/mqtt_password" ] || export EARLYBELL_MQTT__PASSWORD_FILE="$BELL_ETC/mqtt_password"
    exec "$BELL" "$@" --config "$BELL_ETC/earlybell.toml"
  )
  named() { case $1 in broker) echo mosquitto ;; postgres) echo postgresql ;; *) echo "$1" ;; esac; }
  unit() { systemctl "$1" "$(named "$2")"; }
  logs() { journalctl --unit "$(named "$1")" --since -1h --output cat --no-pager; }
  at_broker() (cd "$BROKER_HOME" && exec "$@")
else
  : "${BELL_HOME:=$(docker info --format '{{.DockerRootDir}}' 2>/dev/null)}"
  bell() { docker compose run --rm --no-deps -T -v "$BACKUPS:$BACKUPS" "$BELL_SERVICE" "$@" --config /etc/earlybell.toml; }
  unit() { docker compose "$1" "$2"; }
  logs() { docker compose logs --no-log-prefix --since 1h "$1"; }
  at_broker() { docker compose run --rm --no-deps -T --workdir /mosquitto/data --entrypoint sh broker -c '"$@"' sh "$@"; }
fi
