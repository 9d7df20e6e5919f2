#!/usr/bin/env bash
# The one check for people and for CI: formatting, vet, lint, generated folders left alone, and the tests
# under the race detector in a random order. Run from anywhere; needs the bundle (make web) and chromium.
set -euo pipefail
cd "$(dirname "$0")/.."

say() { printf '\n== %s\n' "$*"; }

say gofmt
unformatted=$(git ls-files '*.go' | xargs gofmt -l)
if [ -n "$unformatted" ]; then
	printf 'not formatted:\n%s\n' "$unformatted"
	exit 1
fi

say 'nothing built or fetched is committed'
if git ls-files | grep -E '(^|/)node_modules/|^dashboards/web/dist/.+\.(js|css|map|txt)$|^marginline$'; then
	echo 'the files above must not be committed'
	exit 1
fi

say vet
go vet ./...

say staticcheck
(cd deploy/tools && go build -o ../../bin/staticcheck honnef.co/go/tools/cmd/staticcheck)
bin/staticcheck ./...

say 'what puts the service into operation'
deploy/check-deploy.sh

say 'go.mod is tidy'
go mod tidy -diff

say 'shell scripts parse'
for f in .ci/run deploy/*.sh deploy/deb/*.sh; do bash -n "$f"; done

say 'tests, race detector, random order'
go test -race -shuffle=on -timeout 40m "${@:-./...}"
