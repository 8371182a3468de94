#!/bin/sh
# Installs this checkout for the services, or upgrades to it, as root. Each release has a folder of its own under /opt/loadlog-releases;
# /opt/loadlog points to the one in use, /opt/loadlog.previous to the one before it. Configuration and recordings are not touched; nothing
# is started or stopped. A release that refuses the present configuration is not put in use.
#
#   install.sh [--compiled]    with detectors compiled to C, where a C compiler and Python's headers are there
set -eu
case "$*" in "" | --compiled) ;; *) echo "usage: install.sh [--compiled]" >&2; exit 2 ;; esac
cd "$(dirname "$0")/.."
umask 022  # the services' user reads what is installed
release=/opt/loadlog-releases/$(date -u +%Y%m%dT%H%M%SZ)
config=/etc/loadlog/bench.toml
[ ! -e "$release" ] || { echo "$release is there already" >&2; exit 1; }
source=$(mktemp -d)
trap 'rm -rf "$source"; [ "${in_use:-}" ] || rm -rf "$release"' EXIT
# Built in a copy: a checkout keeps what was built in it, and the next release would be made of that too – of modules that are no more, and
# of newer files in place of an older release's.
cp -R loadlog pyproject.toml setup.py requirements.lock README.md LICENSE "$source"

python3 -m venv "$release"
"$release/bin/pip" install --quiet --disable-pip-version-check --require-hashes --only-binary :all: -r deploy/requirements.lock
lacking=unasked
if [ "${1:-}" = --compiled ]; then
  headers=$("$release/bin/python" -c 'import sysconfig; print(sysconfig.get_path("include"))')
  if ! command -v gcc >/dev/null; then lacking="no gcc"
  elif [ ! -e "$headers/Python.h" ]; then lacking="no $headers/Python.h"
  elif LOADLOG_COMPILED=1 "$release/bin/pip" install --quiet --disable-pip-version-check --no-deps "$source"; then lacking=
  else lacking="it failed, see above"
  fi
  [ -z "$lacking" ] || echo "detectors are not compiled ($lacking; apt-get install gcc libc6-dev python3-dev): the same events, at about twice the processor time" >&2
fi
[ -z "$lacking" ] || "$release/bin/pip" install --quiet --disable-pip-version-check --no-deps "$source"

install -D -m 644 deploy/loadlog.sysusers.conf /etc/sysusers.d/loadlog.conf
install -D -m 644 deploy/loadlog.modules.conf /etc/modules-load.d/loadlog.conf
systemd-sysusers /etc/sysusers.d/loadlog.conf
install -d -m 750 -g loadlog /etc/loadlog /etc/loadlog/profiles

if [ -e "$config" ]; then
  "$release/bin/loadlog" check --config "$config" >/dev/null || { echo "$config is refused, $release is not put in use" >&2; exit 2; }
fi
for kind in recorder viewer; do install -m 644 "deploy/loadlog-$kind.service" /etc/systemd/system/; done
# Rules that were edited on this machine stay.
[ -e /etc/udev/rules.d/70-loadlog-serial.rules ] || install -D -m 644 deploy/70-loadlog-serial.rules /etc/udev/rules.d/70-loadlog-serial.rules
systemctl daemon-reload
udevadm control --reload

[ ! -L /opt/loadlog ] || ln -sfn "$(readlink /opt/loadlog)" /opt/loadlog.previous
ln -sfn "$release" /opt/loadlog.new
mv -T /opt/loadlog.new /opt/loadlog
in_use=yes
echo "in use: $release"
