#!/bin/sh
# kernel.sh DIR
# Puts a kernel of the Debian release of this machine (for virtual machines, about 30 MB to fetch), and what it needs to
# mount ext4 on a virtio disk, into DIR: vmlinuz, and modules.
set -eu
dir=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
apt-cache show linux-image-cloud-amd64 >/dev/null 2>&1 || apt-get update -qq
package=$(apt-cache depends linux-image-cloud-amd64 | sed -n 's/.*Depends: \(linux-image-[0-9].*\)/\1/p' | head -1)
[ -n "$package" ] || { echo "kernel.sh: no linux-image-cloud-amd64 in the package lists" >&2; exit 1; }
chmod 777 "$work"
(cd "$work" && apt-get download -qq "$package")
dpkg-deb -x "$work"/linux-image-*.deb "$work/root"
mkdir -p "$work/out"
cp "$work"/root/boot/vmlinuz-* "$work/out/vmlinuz"
# What is not there is built into the kernel.
for name in virtio virtio_ring virtio_pci_legacy_dev virtio_pci_modern_dev virtio_pci virtio_blk crc16 libcrc32c crc32c_generic mbcache jbd2 ext4; do
	file=$(find "$work/root" -name "$name.ko" | head -1)
	[ -z "$file" ] || cp "$file" "$work/out/$name.ko"
done
rm -rf "$dir"
mkdir -p "$(dirname "$dir")"
mv "$work/out" "$dir"
