#!/bin/sh
# The virtual machine from here on: what a small Linux needs, then its services.
# /tmp stays as it is on this machine: the checkout may lie there (writing goes to memory).
# From the kernel's command line: BENCH_HERE (this folder), BENCH_PYTHON, BENCH_UID.
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/tmp LANG=C.UTF-8
mount -t tmpfs tmpfs /run; mkdir -p /run/dbus /run/lock /dev/pts /dev/shm
ln -sf /proc/self/fd /dev/fd
mount -t devpts devpts /dev/pts; mount -t tmpfs tmpfs /dev/shm
modprobe -a virtio_net bluetooth hci_vhci uhid
net=$(ls /sys/class/net | grep -v '^lo$' | head -n 1)
ip link set lo up; ip link set "$net" up; ip address add 10.0.2.15/24 dev "$net"
"$BENCH_PYTHON" -I -S -B -u "$BENCH_HERE/guest.py" "$BENCH_UID" /mnt/out 2>/mnt/out/guest.err
echo "BENCH over $?"
echo o >/proc/sysrq-trigger
sleep 60
