#!/bin/sh
# Finds, or installs where it may, the real peers of the suite: a C compiler, Python's headers, libmodbus, Chromium, InfluxDB 1.x, VictoriaMetrics, the checkers
# of systemd units and compose files, npm (brings Grafana's components). Prints one line. In CI a lacking one is a failure; elsewhere its tests are skipped with that reason. The
# databases' own services are not started: the tests run them on free ports.
set -u
python=.venv/bin/python
[ -x $python ] || python=python3
have() { case $1 in
  cc) command -v cc >/dev/null 2>&1 ;;
  headers) [ -f "$($python -c 'import sysconfig; print(sysconfig.get_path("include"))')/Python.h" ] ;;
  libmodbus) [ -f /usr/include/modbus/modbus.h ] ;;
  chromium) command -v chromium >/dev/null 2>&1 ;;
  influxdb) command -v influxd >/dev/null 2>&1 ;;
  victoria-metrics) command -v victoria-metrics >/dev/null 2>&1 ;;
  npm) command -v npm >/dev/null 2>&1 ;;
  systemd-analyze) command -v systemd-analyze >/dev/null 2>&1 ;;
  docker-compose) command -v docker-compose >/dev/null 2>&1 || docker compose version >/dev/null 2>&1 ;;
esac; }
package() { case $1 in
  cc) echo "gcc libc6-dev" ;; headers) echo python3-dev ;; libmodbus) echo libmodbus-dev ;; influxdb) echo "influxdb influxdb-client" ;; npm) echo "nodejs npm" ;; systemd-analyze) echo systemd ;;
  *) echo "$1" ;;
esac; }
wanted="" found="" installed="" lacking=""
for peer in cc headers libmodbus chromium influxdb victoria-metrics systemd-analyze docker-compose npm; do
  if have "$peer"; then found="$found $peer"; else wanted="$wanted $peer"; fi
done
if [ -n "$wanted" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  packages=""
  for peer in $wanted; do packages="$packages $(package "$peer")"; done
  # Debian starts a service as it is installed, unless this file (invoke-rc.d(8)) says no.
  policy=/usr/sbin/policy-rc.d ours=""
  if [ ! -e "$policy" ]; then printf '#!/bin/sh\nexit 101\n' >"$policy" && chmod +x "$policy" && ours=yes; fi
  { apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $packages; } >/tmp/loadlog-servers.$$ 2>&1 ||
    tail -5 /tmp/loadlog-servers.$$ >&2
  [ -z "$ours" ] || rm -f "$policy"
  rm -f /tmp/loadlog-servers.$$
fi
for peer in $wanted; do
  if have "$peer"; then installed="$installed $peer"; else lacking="$lacking $peer"; fi
done
echo "real peers: found:${found:- none}; installed:${installed:- none}; lacking:${lacking:- none}"
if [ -n "$lacking" ] && [ "${CI:-}" = true ]; then
  echo "CI needs every peer; lacking:$lacking" >&2
  exit 1
fi
