#!/usr/bin/env bash
# boot.sh PROGRAM [ARGUMENT...]: runs a static program as root in a small virtual machine that has simulated GPIO chips
# and idle serial ports.
#
# QEMU emulates the machine. By default it does not use the processor's virtualization, since that works everywhere, so
# durations in the machine prove nothing. The kernel is Debian's. It has no gpio-sim module, so the module is built here
# from Debian's source of the same kernel. Nothing is downloaded except by apt-get. Kernel and modules are made once and
# kept in the user's cache directory (about 12 MB).
#
# The machine has gpio-sim with configfs in /sys/kernel/config, /dev/ttyS0 (the output), ttyS1 to ttyS3 (unconnected
# 16550s), /dev/pts, the interface lo, a watchdog (i6300esb) and VM=1 in the environment. With VM_DISK it has the disk
# /dev/vda and ext4, with VM_FORWARD the network interface eth0. The program's output and exit status are those of
# boot.sh.
#
#   VM_CACHE    directory of kernel and modules   VM_TIMEOUT  seconds until the machine is ended (120)
#   VM_CPUS     number of processors (1)          VM_ACCEL    tcg or kvm (tcg)
#   VM_MEMORY   MB (256)                          VM_MONITOR  path of a Unix socket to make for QEMU's monitor
#   VM_DISK     image file of /dev/vda            VM_PID      file for QEMU's process ID; killing it cuts the power
#   VM_FORWARD  HOSTPORT:PORT[,...]               VM_FILES    HOSTPATH:PATH[,...], files to copy into the machine
#   VM_ENV      NAME=VALUE, one per line: the program's environment
#
# Exit status: that of the program up to 100, 124 after the timeout, 125 if boot.sh itself failed.
set -euo pipefail

release=1 # of kernel and modules; change it to make them again
cache=${VM_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/clearback/vm}/$release
modules=(gpio-simulated watchdog i6300esb virtio_ring virtio virtio_pci_legacy_dev virtio_pci_modern_dev virtio_pci
	crc16 crc32c_generic mbcache jbd2 ext4 virtio_blk failover net_failover virtio_net)
packages=(qemu-system-x86 busybox-static cpio make xz-utils util-linux linux-headers-amd64)

say() { printf 'vm: %s\n' "$*" >&2; }
die() { say "$*"; exit 125; }
[ $# -ge 1 ] || die "usage: boot.sh PROGRAM [ARGUMENT...]"
[ "$(dpkg --print-architecture 2>/dev/null)" = amd64 ] || die "this needs Debian on amd64"

install_packages() {
	local missing=() p
	for p in "${packages[@]}"; do
		[ "$(dpkg-query -W -f '${db:Status-Status}' "$p" 2>/dev/null)" = installed ] || missing+=("$p")
	done
	[ ${#missing[@]} -gt 0 ] || return 0
	[ "$(id -u)" -eq 0 ] || die "missing packages: apt-get install ${missing[*]}"
	apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >&2 ||
		die "apt-get install ${missing[*]}"
}

# fetch downloads the kernel of the installed headers, and its source, into the working directory.
fetch() {
	kernel=$(dpkg-query -W -f '${Depends}' linux-headers-amd64 | sed -n 's/.*linux-headers-\([0-9][^ ,]*\).*/\1/p')
	source=linux-source-$(cut -d. -f1,2 <<<"$kernel")
	apt-get download -qq "linux-image-$kernel" "$source"
}

# prepare makes the kernel and the modules.
prepare() {
	local work=$cache.new kernel source m began=$SECONDS
	install_packages
	rm -rf "$work"
	mkdir -p "$work"/{fetched,image,module,ready}
	cd "$work/fetched"
	if ! fetch 2>/dev/null; then # the archive has a newer kernel by now
		[ "$(id -u)" -ne 0 ] || { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq linux-headers-amd64 >&2; } || true
		fetch || die "apt-get download linux-image-$kernel $source: run apt-get update, then apt-get install linux-headers-amd64"
	fi
	cd "$work/image"
	dpkg-deb --fsys-tarfile ../fetched/linux-image-*.deb | tar -x --wildcards './boot/vmlinuz-*' '*.ko*'
	# Debian's kernel also lacks the simulated interrupts that gpio-sim uses.
	cd "$work/module"
	{ dpkg-deb --fsys-tarfile ../fetched/linux-source-*.deb || true; } 2>/dev/null | tar -xO "./usr/src/$source.tar.xz" 2>/dev/null |
		tar -xJ --occurrence=1 --transform 's,.*/,,' "$source"/drivers/gpio/{gpio-sim.c,gpiolib.h} "$source/kernel/irq/irq_sim.c" 2>/dev/null || true
	[ -s gpio-sim.c ] && [ -s irq_sim.c ] && [ -s gpiolib.h ] || die "$source lacks the source of gpio-sim"
	# That function is not exported to modules. The replacement does the same with the interrupt's number.
	sed -i 's/handle_simple_irq(irq_to_desc(\([a-z]*\)))/generic_handle_irq(\1)/' irq_sim.c
	printf 'obj-m := gpio-simulated.o\ngpio-simulated-y := gpio-sim.o irq_sim.o\n' >Kbuild
	make -s -C "/lib/modules/$kernel/build" M="$PWD" modules >log 2>&1 || { cat log >&2; die "building gpio-sim"; }
	strip --strip-debug gpio-simulated.ko
	cp "$work"/image/boot/vmlinuz-* "$work/ready/kernel"
	cp gpio-simulated.ko "$work/ready/"
	for m in configfs "${modules[@]:1}"; do
		find "$work/image" -name "$m.ko*" -exec cp {} "$work/ready/" \;
	done
	! ls "$work"/ready/*.xz >/dev/null 2>&1 || xz -d "$work"/ready/*.xz
	rm -rf "$cache"
	mv "$work/ready" "$cache"
	rm -rf "$work"
	say "made the machine's kernel $kernel in $((SECONDS - began)) s: $cache"
}

# init is the first process in the machine.
init() {
	printf '#!/bin/busybox sh\n/bin/busybox --install -s /bin\nmodules="configfs %s"\n' "${modules[*]}"
	cat <<'INIT'
export PATH=/bin HOME=/ TMPDIR=/tmp VM=1
mkdir -p /proc /sys /dev /tmp /run /var/lib
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
mkdir -p /dev/pts /dev/shm
mount -t devpts devpts /dev/pts
mount -t tmpfs tmp /tmp
mount -t tmpfs run /run
for m in $modules; do [ ! -f /modules/$m.ko ] || insmod /modules/$m.ko || echo "vm: module $m cannot be loaded"; done
mount -t configfs config /sys/kernel/config
ip link set lo up
if [ -d /sys/class/net/eth0 ]; then ip link set eth0 up; ip addr add 10.0.2.15/24 dev eth0; ip route add default via 10.0.2.2; fi
set -a
. /environment
set +a
set --
while IFS= read -r a; do set -- "$@" "$a"; done </arguments
cd /work
/program "$@" </dev/null 2>&1
status=$?
[ $status -le 100 ] || { echo "vm: the program's status was $status"; status=100; }
sync
# QEMU's exit status is twice this byte plus one, which differs from all statuses of QEMU's own.
printf "\\$(printf %03o $((status + 16)))" | dd of=/dev/port bs=1 seek=244 2>/dev/null
poweroff -f
INIT
}

program=$(realpath "$1")
shift
mkdir -p "$(dirname "$cache")"
[ -f "$cache/kernel" ] || (
	flock 9
	[ -f "$cache/kernel" ] || prepare
) 9>"$cache.lock"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
root=$work/root
mkdir -p "$root"/{bin,modules,work}
cp "$(command -v busybox)" "$root/bin/busybox"
cp "$cache"/*.ko "$root/modules/"
cp "$program" "$root/program"
chmod 755 "$root/program"
if [ -d testdata ]; then cp -r testdata "$root/work/"; fi
for a in "$@"; do printf '%s\n' "$a"; done >"$root/arguments"
while IFS= read -r line; do
	[ -z "$line" ] || printf "%s='%s'\n" "${line%%=*}" "$(sed "s/'/'\\\\''/g" <<<"${line#*=}")"
done <<<"${VM_ENV:-}" >"$root/environment"
IFS=, read -ra files <<<"${VM_FILES:-}"
for f in "${files[@]}"; do
	mkdir -p "$root/$(dirname "${f#*:}")"
	cp -p "${f%%:*}" "$root/${f#*:}"
done
init >"$root/init"
chmod 755 "$root/init"
(cd "$root" && find . | cpio -o -H newc --quiet) >"$work/initrd"

accel=${VM_ACCEL:-tcg}
cpu=max
[ "$accel" != kvm ] || cpu=host
machine=(-machine "q35,accel=$accel" -cpu "$cpu" -smp "${VM_CPUS:-1}" -m "${VM_MEMORY:-256}" -nodefaults -no-user-config -display none -no-reboot
	-kernel "$cache/kernel" -initrd "$work/initrd"
	-append "console=ttyS0,115200 quiet loglevel=4 panic=-1 mitigations=off random.trust_cpu=on 8250.nr_uarts=4"
	-chardev stdio,id=out,signal=off -serial chardev:out -serial null -serial null -serial null
	-device i6300esb -watchdog-action reset
	-device isa-debug-exit,iobase=0xf4,iosize=0x04)
[ -z "${VM_MONITOR:-}" ] || machine+=(-monitor "unix:$VM_MONITOR,server=on,wait=off")
[ -z "${VM_PID:-}" ] || machine+=(-pidfile "$VM_PID")
[ -z "${VM_DISK:-}" ] || machine+=(-drive "file=$VM_DISK,format=raw,if=virtio,cache=none")
if [ -n "${VM_FORWARD:-}" ]; then
	net=user,id=net,restrict=on
	IFS=, read -ra ports <<<"$VM_FORWARD"
	for p in "${ports[@]}"; do net+=",hostfwd=tcp:127.0.0.1:${p%%:*}-:${p#*:}"; done
	machine+=(-netdev "$net" -device virtio-net-pci,netdev=net,romfile=)
fi
status=0
timeout --foreground -k 5 "${VM_TIMEOUT:-120}" qemu-system-x86_64 "${machine[@]}" </dev/null || status=$?
case $status in
124) say "ended after ${VM_TIMEOUT:-120} s"; exit 124 ;;
137) say "killed"; exit 124 ;;
esac
[ "$status" -ge 33 ] || die "qemu ended with status $status, and the program with none"
exit $(((status - 33) / 2))
