#!/usr/bin/env bash
# Each file that puts the service into operation is checked by the tool it is for. `make parts` gets the tools on Debian.
set -euo pipefail
cd "$(dirname "$0")"
need() { command -v "$1" >/dev/null || { echo "$1 is missing: make parts installs it"; exit 1; }; }
PATH="$PWD/../bin:$PATH"

echo "-- systemd: the unit verifies, and its exposure is 1.5 of 10 at most"
need systemd-analyze
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
sed 's|^ExecStart=/usr/bin/marginline|ExecStart=/usr/bin/env|' systemd/marginline.service >"$work/marginline.service"
said=$(systemd-analyze verify --man=no "$work/marginline.service" 2>&1) || { echo "$said"; exit 1; }
[ -z "$said" ] || { echo "$said"; exit 1; }
systemd-analyze security --offline=true --no-pager --threshold=15 "$work/marginline.service" >"$work/security" || { cat "$work/security"; exit 1; }
tail -n 1 "$work/security"
need systemd-sysusers
systemd-sysusers --dry-run "$PWD"/systemd/marginline.sysusers >/dev/null

echo "-- prometheus: the rules parse, and fire on what they are for"
need promtool
(cd prometheus && promtool check rules marginline.rules.yaml && promtool test rules marginline.test.yaml)
promtool check config --syntax-only compose/prometheus.yaml

echo "-- container, compose, kubernetes: by the libraries that read them"
(cd tools && go test -count=1 ./...) # go does not see that files outside its module changed
