#!/bin/bash
# First process of a User Mode Linux that is a provider's edge: PPPoE sessions with CHAP, without a tag and in VLAN 35. Its root
# is the host's, read-only; the kernel command line gives SHARED, a folder of the test: `stop` there ends it.
export PATH=/usr/sbin:/sbin:/usr/bin:/bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t tmpfs tmpfs /run
mount -t devtmpfs dev /dev 2>/dev/null
mkdir -p /dev/pts
mount -t devpts devpts /dev/pts
mount -t tmpfs tmpfs /var/log
mkdir -p /run/lib/modules
ln -s "/usr/lib/uml/modules/$(uname -r)" "/run/lib/modules/$(uname -r)"
for module in slhc ppp_generic ppp_async ppp_synctty pppox pppoe 8021q ipv6; do
  modprobe -d /run "$module" || echo "module $module is missing"
done
[ -e /dev/ppp ] || mknod /dev/ppp c 108 0
ip link set lo up
ip link set vec0 up
ip link add link vec0 name vec0.35 type vlan id 35
ip link set vec0.35 up
mkdir /run/ppp.etc
cp -r /etc/ppp/. /run/ppp.etc 2>/dev/null
mount --bind /run/ppp.etc /etc/ppp
printf 'line1 * not-for-records *\n' > /etc/ppp/chap-secrets
cp /etc/ppp/chap-secrets /etc/ppp/pap-secrets
chmod 600 /etc/ppp/chap-secrets /etc/ppp/pap-secrets
common='lcp-echo-interval 10\nlcp-echo-failure 2\nms-dns 203.0.113.53\nms-dns 203.0.113.54\n+ipv6\n'
printf "require-chap\n$common" > /etc/ppp/by-chap
printf "require-pap\n$common" > /etc/ppp/by-pap
wrapper="-q $SHARED/pppd-in-kernel"
pppoe-server -I vec0 -L 198.51.100.1 -R 198.51.100.100 -C edge-1 -S internet -O /etc/ppp/by-chap $wrapper
pppoe-server -I vec0.35 -L 203.0.113.1 -R 203.0.113.100 -C edge-35 -S internet -O /etc/ppp/by-pap $wrapper
echo READY
while [ ! -e "$SHARED/stop" ]; do sleep 0.1; done
poweroff -f
