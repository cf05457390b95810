#!/bin/sh
# First process of a User Mode Linux that is a bridge between vec0 and vec1. Its root is the host's, read-only; the kernel
# command line gives SHARED, a folder of the test: `modules` there lists what it needs of the kernel, each `command.N` that appears is run
# in turn, `stop` ends it.
export PATH=/usr/sbin:/sbin:/usr/bin:/bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t tmpfs tmpfs /run
mkdir -p /run/lib/modules
ln -s "/usr/lib/uml/modules/$(uname -r)" "/run/lib/modules/$(uname -r)"
for module in $(cat "$SHARED/modules") bridge; do modprobe -d /run "$module" || echo "module $module is missing"; done
ip link add br0 type bridge mcast_snooping 0
for port in vec0 vec1; do
  # One frame, one fate: segments that travel together would be lost and doubled together.
  ethtool -K "$port" tso off
  ip link set "$port" master br0 up
done
ip link set br0 up
echo READY
n=0
while [ ! -e "$SHARED/stop" ]; do
  if [ -e "$SHARED/command.$n" ]; then
    sh "$SHARED/command.$n" && echo "DONE $n"
    n=$((n + 1))
  fi
  sleep 0.1
done
poweroff -f
