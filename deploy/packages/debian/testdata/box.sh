#!/bin/bash
# Runs a root file system with systemd as process 1, where the machine itself need not run systemd.
#   box.sh start ROOT LOG | limits ROOT | exec ROOT COMMAND... | outside ROOT COMMAND... | reboot ROOT | stop ROOT
# ROOT.pid gets the process of this script that starts the box anew after a reboot.
set -u
children() { cat /proc/"$1"/task/*/children 2>/dev/null; }
leader() { # the box's process 1: the grandchild of the process in ROOT.pid
	local nspawn
	for nspawn in $(children "$(cat "$1.pid")"); do children "$nspawn" | awk '{print $1}'; done | head -1
}
inside() {
	local process1
	process1=$(leader "$1")
	[ -n "$process1" ] || return 1
	shift
	nsenter -t "$process1" -m -u -i -n -p -- "$@"
}
running() {
	for _ in $(seq 600); do
		inside "$1" systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded' && return 0
		sleep 0.05
	done
	return 1
}
case $1 in
start)
	# Groups of the box's own, except for cpu: in a new group of it, no process may be in a real-time class. The box may
	# call clock_settime, but lacks the capability to set the clock, which is that of the whole machine.
	setsid unshare -m --propagation slave bash -c '
		for d in systemd unified memory pids cpuacct blkio devices freezer; do
			[ -d /sys/fs/cgroup/$d ] || continue
			mkdir -p /sys/fs/cgroup/$d/clearback-box
			echo $$ >/sys/fs/cgroup/$d/clearback-box/cgroup.procs
		done
		mkdir -p /run/systemd/nspawn
		mount -t tmpfs none /run/systemd/nspawn
		while :; do
			systemd-nspawn -q -D "$1" -b --register=no --keep-unit --private-network --console=pipe \
				--capability=CAP_IPC_LOCK --system-call-filter="@memlock clock_settime" </dev/null
			rc=$?
			[ $rc = 133 ] || exit $rc # 133: the box wants a reboot
		done' box "$2" >"$3" 2>&1 &
	echo $! >"$2.pid"
	running "$2" || { tail -5 "$3"; exit 1; }
	;;
limits) # until the next reboot, MemoryMax=, TasksMax= and DevicePolicy= bite
	for group in memory pids devices; do
		inside "$2" mount -o remount,rw,bind "/sys/fs/cgroup/$group" || exit 1
	done
	inside "$2" systemctl daemon-reexec
	running "$2"
	;;
reboot)
	before=$(leader "$2")
	timeout 5 bash "$0" exec "$2" systemctl --no-block reboot
	# Nothing enters the box while it ends: such a process may hang.
	for _ in $(seq 600); do
		now=$(leader "$2")
		[ -n "$now" ] && [ "$now" != "$before" ] && break
		sleep 0.05
	done
	running "$2"
	;;
exec)
	root=$2
	shift 2
	inside "$root" "$@"
	;;
outside) # a program of this machine, in the box's network
	exec nsenter -t "$(leader "$2")" -n -- "${@:3}"
	;;
stop)
	process1=$(leader "$2")
	kill -KILL "$(cat "$2.pid")" $process1
	;;
esac
