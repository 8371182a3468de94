#!/bin/sh
# Finds, or installs where it may, the real peers of the suite: a C compiler, libmodbus, Chromium. Prints one line.
# In CI a lacking one is a failure; elsewhere its tests are skipped with that reason.
set -u
have() { case $1 in
  cc) command -v cc >/dev/null 2>&1 ;;
  libmodbus) [ -f /usr/include/modbus/modbus.h ] ;;
  chromium) command -v chromium >/dev/null 2>&1 ;;
esac; }
package() { case $1 in cc) echo "gcc libc6-dev" ;; libmodbus) echo libmodbus-dev ;; chromium) echo chromium ;; esac; }
wanted="" found="" installed="" lacking=""
for peer in cc libmodbus chromium; do
  if have "$peer"; then found="$found $peer"; else wanted="$wanted $peer"; fi
done
if [ -n "$wanted" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  packages=""
  for peer in $wanted; do packages="$packages $(package "$peer")"; done
  { apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $packages; } >/tmp/loadlog-servers.$$ 2>&1 ||
    tail -5 /tmp/loadlog-servers.$$ >&2
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
