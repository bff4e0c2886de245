#!/bin/sh
# With `demo/run --hazards`: what else can be wrong with a server before such an upgrade, so
# that hazards.yaml has twenty and more. The files of hazards/ are in place already.
set -eu

# The zone under its old name.
ln -sf /usr/share/zoneinfo/US/Central /etc/localtime
# The archive named twice.
grep -m 1 '^deb ' /etc/apt/sources.list > /etc/apt/sources.list.d/again.list
# A key under a name that apt does not take.
cp /usr/share/keyrings/debian-archive-keyring.gpg '/etc/apt/trusted.gpg.d/old+vendor.gpg'
# Somebody wanted another name for the release.
dpkg-divert --quiet --local --no-rename --divert /etc/lsb-release.shelf --add /etc/lsb-release
# A unit that fails at every start.
systemctl enable --quiet shelf-quota.service
systemctl start shelf-quota.service || true
