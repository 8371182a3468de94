#!/bin/sh
# Runs on the booted system as root. Prints "@@ ok|no WHAT" for each thing that was looked at; @@PLUG and @@UNPLUG ask the host to plug the
# serial adapter in and out, @@END says that all was tried.
exec 2>&1
export LOADLOG_CONFIG=/etc/loadlog/bench.toml
say() { echo "@@ $*"; }
holds() { what=$1; shift; if "$@" >/run/said 2>&1; then say ok "$what"; else say no "$what"; tail -5 /run/said; fi; }
becomes() { # SECONDS WHAT COMMAND...: holds within that time
  left=$1; what=$2; shift 2
  while [ "$left" -gt 0 ]; do if "$@" >/run/said 2>&1; then say ok "$what"; return; fi; sleep 1; left=$((left - 1)); done
  say no "$what"; tail -5 /run/said
}
as_user() { runuser -u loadlog -- /opt/loadlog/bin/loadlog "$@"; }
main_pid() { systemctl show -p MainPID --value "loadlog-$1"; }
fetch() { /opt/loadlog/bin/python -c 'import sys, urllib.request as u
request = u.Request("http://127.0.0.1:8437" + sys.argv[1], headers={"Authorization": "Bearer " + open("/etc/credstore/loadlog-web-token").read().strip()})
print(u.urlopen(request, timeout=20).read().decode())' "$1"; }
polls() { as_user events --active | grep communication_lost && return 1; fetch /api/devices | grep -q '"voltage_v"' && fetch /readyz; }
lost() { as_user events --active | grep communication_lost; }
port_is() { [ "$(stat -L -c "%G %a" /dev/bench/rack)" = "dialout 660" ]; }
latency() { [ "$(cat /sys/bus/usb-serial/devices/ttyUSB0/latency_timer)" = 1 ]; }
ignored() { udevadm info --query=property /dev/ttyUSB0 | grep -x ID_MM_PORT_IGNORE=1; }
below_two() { systemd-analyze security --threshold=20 "loadlog-$1"; }
restarted() { [ "$(main_pid recorder)" != "$1" ] && systemctl is-active loadlog-recorder; }
log_is_on() { as_user run list | grep soak-0001 | grep -w on; }
log_says() { journalctl -u "loadlog-$1" | grep -q "$2"; }
nice_is() { [ "$(cut -d " " -f 19 "/proc/$(main_pid "$1")/stat")" = "$(systemctl show -p Nice --value "loadlog-$1")" ]; }
# Of each thread of the processes that a file lists: the processors that it may use, and how much it wrote, most last.
processors() { for task in $(sed 's|.*|/proc/&/task/*|' "$1"); do
  echo "$(sed -n 's/^Cpus_allowed_list:\t*//p' "$task/status") $(sed -n 's/^wchar: //p' "$task/io")"
done | grep "^[0-9]" | sort -k 2 -n; } # without those that ended meanwhile
if [ "$(nproc)" = 1 ]; then own=0 others=0 all=0; else own=0 others="1-$(($(nproc) - 1))" all="0-$(($(nproc) - 1))"; fi
[ "$others" != 1-1 ] || others=1
only() { ! cut -d " " -f 1 | grep -vxF "$1"; }
writes_alone() { main_pid recorder >/run/pid; processors /run/pid | tee /run/threads
  [ "$(wc -l </run/threads)" -gt 2 ] && tail -1 /run/threads | grep -q "^$own " && head -n -1 /run/threads | only "$all"; }
leaves_it() { processors /sys/fs/cgroup/system.slice/loadlog-viewer.service/cgroup.procs | tee /run/threads
  [ "$(wc -l </run/threads)" -gt 1 ] && only "$others" </run/threads; }
not_refused() { ! journalctl -b --no-pager -u loadlog-recorder -u loadlog-viewer | grep -iE "not permitted|status=31|SIGSYS" \
  && ! journalctl -b --no-pager -k | grep "type=1326"; }
reviewed() { fetch /api/runs/soak-0001/review | grep -q '"verdict"'; }

becomes 300 "the recorder is ready without its port" systemctl is-active loadlog-recorder
becomes 300 "the viewer is ready" systemctl is-active loadlog-viewer
holds "the recorder's modules are loaded before an adapter is there" grep -w ttyUSB /proc/devices
echo "@@PLUG"
becomes 60 "the port has the name of the rule" test -e /dev/bench/rack
holds "the port belongs to the group, mode 660" port_is
becomes 20 "the latency timer is 1 ms" latency
holds "modem software leaves the port alone" ignored
if udevadm --help | grep -qw verify; then # systemd 254 and later
  holds "udevadm finds no fault in the rules" udevadm verify /etc/udev/rules.d/70-loadlog-serial.rules
fi
becomes 120 "the recorder polls through an adapter that came after it started" polls
holds "the run that the backup was made in is on" log_is_on
for kind in recorder viewer; do
  holds "exposure of the $kind is at most 2.0" below_two "$kind"
  holds "the $kind runs at the priority of its unit" nice_is "$kind"
  echo "   $(systemd-analyze security loadlog-$kind | tail -1)"
  systemctl show -p DeviceAllow -p Nice -p OOMScoreAdjust -p NRestarts "loadlog-$kind" | tr '\n' ' '; echo
done
holds "with $(nproc) processors: the writing thread keeps to $own, the recorder's others may use $all" writes_alone
becomes 20 "the viewer keeps to $others" leaves_it
holds "the page answers" fetch /
holds "the metrics answer" fetch /metrics
becomes 180 "the page reviews the run" reviewed
holds "no system call was refused with a message, and nobody was killed for one" not_refused
if [ "$(nproc)" = 1 ]; then echo "@@END"; sync; systemctl poweroff; exit; fi
echo "@@UNPLUG"
becomes 60 "pulling the adapter out is told" lost
echo "@@PLUG"
becomes 90 "the recorder goes on when it is back" polls
before=$(main_pid recorder)
reload_is_refused() { ! systemctl reload loadlog-recorder && [ "$before" = "$(main_pid recorder)" ] && log_says recorder "soak-0001"; }
holds "a reload during a run is refused with the reason, and the recorder goes on" reload_is_refused
kill -STOP "$before"
becomes 90 "a recorder that hangs is started again by the watchdog" restarted "$before"
becomes 120 "and polls again" polls
before=$(main_pid recorder)
kill -KILL "$before"
becomes 30 "a recorder that dies is started again" restarted "$before"
becomes 120 "and polls again" polls
as_user run show soak-0001 | grep -A3 "What happened"
as_user run stop soak-0001
before=$(main_pid recorder)
# Longer than TimeoutStopSec: a reload that systemd took for a stop ends by SIGKILL then.
reload_is_done() { systemctl reload loadlog-recorder && sleep 40 && [ "$before" = "$(main_pid recorder)" ]; }
holds "a reload between runs is carried out by the same process" reload_is_done
becomes 120 "and polls again" polls
holds "no system call was refused with a message, and nobody was killed for one" not_refused
for kind in recorder viewer; do
  systemctl stop loadlog-recorder
  sed -e 's/^Type=.*/Type=oneshot/' -e '/^Restart/d' -e '/^WatchdogSec/d' \
    -e "s|^ExecStart=.*|ExecStart=/opt/loadlog/bin/python /opt/probe.py $kind /dev/bench/rack|" \
    -e "s|^StateDirectory=.*|&\nStandardOutput=append:/run/probe-$kind\nStandardError=append:/run/probe-$kind|" \
    "/etc/systemd/system/loadlog-$kind.service" >"/run/systemd/system/loadlog-probe-$kind.service"
  systemctl daemon-reload
  # Its credentials are in a folder named after the unit; the probe asks the environment where.
  systemctl start "loadlog-probe-$kind" || systemctl status "loadlog-probe-$kind" --no-pager | tail -5
  sed 's/^/@@ /' "/run/probe-$kind"
done
systemctl start loadlog-recorder
cat >>/etc/loadlog/bench.toml <<END
[nonsense]
END
systemctl restart loadlog-recorder
failed() { systemctl is-failed loadlog-recorder && log_says recorder nonsense; }
becomes 60 "a refused configuration ends in failure, not in a loop" failed
echo "   $(systemctl show -p NRestarts -p ExecMainStatus loadlog-recorder | tr '\n' ' ')"
no_fault() { systemd-analyze verify --man=no loadlog-recorder.service loadlog-viewer.service && [ ! -s /run/said ]; }
holds "systemd finds no fault in the units" no_fault
journalctl -b -p warning --no-pager -u loadlog-recorder -u loadlog-viewer | tail -30
echo "@@END"
sync
systemctl poweroff
