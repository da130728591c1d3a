#!/bin/busybox sh
# First process of the virtual machine, from the initial memory disk: the machine's own
# root (read only) under the unpacked packages, with a writable layer in memory on top.
bb=/bin/busybox
$bb mount -t proc proc /proc; $bb mount -t sysfs sys /sys; $bb mount -t devtmpfs dev /dev
$bb echo "BENCH booted"
while read -r module; do $bb insmod "/modules/$module"; done </modules/order
options=trans=virtio,version=9p2000.L,msize=512000
$bb mkdir -p /own /host /up /whole
$bb mount -t 9p -o ro,cache=loose,$options sysroot /own
$bb mount -t 9p -o ro,cache=loose,$options hostroot /host
$bb mount -t tmpfs tmpfs /up
$bb mkdir -p /up/new /up/work
$bb mount -t overlay -o lowerdir=/own:/host,upperdir=/up/new,workdir=/up/work overlay /whole
for one in proc sys dev; do $bb mkdir -p /whole/$one; $bb mount -o move /$one /whole/$one; done
$bb mkdir -p /whole/mnt/out
$bb mount -t 9p -o $options out /whole/mnt/out
exec $bb switch_root /whole /bin/sh "$BENCH_HERE/guest.sh"
