#!/usr/bin/env bash
# Builds a Debian package with dpkg-deb alone:  build.sh BINARY VERSION  writes bin/marginline_VERSION_ARCH.deb
# and checks it by dpkg-deb, and by lintian where that is installed.
set -euo pipefail
binary=$1
cd "$(dirname "$0")/../.."
version=$(printf '%s' "$2" | sed -E 's/^v//; s/^([^0-9])/0~\1/; s/[^A-Za-z0-9.+~]/+/g')
arch=$(dpkg --print-architecture)
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
chmod 0755 "$root"

install -D -m 0755 -s "$binary" "$root/usr/bin/marginline"
install -D -m 0644 deploy/systemd/marginline.service "$root/lib/systemd/system/marginline.service"
install -D -m 0644 deploy/systemd/marginline.sysusers "$root/usr/lib/sysusers.d/marginline.conf"
install -D -m 0640 deploy/marginline.yaml "$root/etc/marginline/marginline.yaml"
install -D -m 0644 deploy/prometheus/marginline.rules.yaml "$root/usr/share/marginline/marginline.rules.yaml"
doc=$root/usr/share/doc/marginline
for f in README.md deploy/runbook.md deploy/sizing.md deploy/SECURITY.md deploy/dongle.md deploy/other-engines.md; do
	install -D -m 0644 "$f" "$doc/$(basename "$f")"
done
{
	printf 'Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\n\nFiles: *\nCopyright: 2026 the marginline authors\nLicense: Apache-2.0\n'
	printf ' On Debian systems the full text is in /usr/share/common-licenses/Apache-2.0.\n'
} >"$doc/copyright"
printf 'marginline (%s) unstable; urgency=medium\n\n  * Built from the sources of this version.\n\n -- %s  %s\n' "$version" "${DEBFULLNAME:-marginline} <${DEBEMAIL:-root@localhost}>" "$(date -R -u -d "@${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}")" | gzip -9n >"$doc/changelog.gz"
gzip -9n "$doc"/{dongle,other-engines,runbook,SECURITY,sizing,README}.md

mkdir "$root/DEBIAN"
cat >"$root/DEBIAN/control" <<CONTROL
Package: marginline
Version: $version
Architecture: $arch
Maintainer: ${DEBFULLNAME:-marginline} <${DEBEMAIL:-root@localhost}>
Installed-Size: $(du -sk --exclude=DEBIAN "$root" | cut -f1)
Depends: libc6 (>= 2.34), libstdc++6 (>= 12), libgcc-s1, adduser | systemd
Recommends: ca-certificates
Section: science
Priority: optional
Description: margin-to-limit trends of a vehicle fleet's on-board tests
 Takes the results of vehicles' own on-board tests, follows the margin of each
 to its limit with drift detection, calls units in for inspection before they
 set a fault, and keeps the whole history for SQL.
CONTROL
echo /etc/marginline/marginline.yaml >"$root/DEBIAN/conffiles"
cat >"$root/DEBIAN/postinst" <<'POST'
#!/bin/sh
set -e
if [ "$1" = configure ]; then
	systemd-sysusers marginline.conf
	chgrp marginline /etc/marginline/marginline.yaml
	if [ -d /run/systemd/system ]; then
		systemctl --system daemon-reload
		systemctl try-restart marginline.service
	fi
fi
POST
cat >"$root/DEBIAN/prerm" <<'PRE'
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
	systemctl stop marginline.service
fi
PRE
cat >"$root/DEBIAN/postrm" <<'POST'
#!/bin/sh
set -e
# The data in /var/lib/marginline is a maintenance record: it stays, on purge too.
if [ -d /run/systemd/system ]; then
	systemctl --system daemon-reload
fi
POST
chmod 0755 "$root"/DEBIAN/{postinst,prerm,postrm}
(cd "$root" && find . -type f ! -path './DEBIAN/*' -printf '%P\0' | sort -z | xargs -0 md5sum) >"$root/DEBIAN/md5sums"

mkdir -p bin
out=bin/marginline_${version}_$arch.deb
dpkg-deb --build --root-owner-group -Zxz -z1 "$root" "$out" >/dev/null
dpkg-deb --info "$out"
contents=$(dpkg-deb --contents "$out")
echo "$contents"
for want in ./usr/bin/marginline ./lib/systemd/system/marginline.service ./etc/marginline/marginline.yaml ./usr/share/doc/marginline/copyright; do
	grep -q " $want\$" <<<"$contents" || { echo "the package lacks $want"; exit 1; }
done
if command -v lintian >/dev/null; then
	# --help is the manual page. The maintainer is whoever builds it, by DEBFULLNAME and DEBEMAIL.
	lintian --allow-root --fail-on error --suppress-tags no-manual-page,bogus-mail-host,bogus-mail-host-in-debian-changelog,root-in-contact,initial-upload-closes-no-bugs "$out"
else
	echo 'lintian is not installed: not checked by it'
fi
echo "$out"
