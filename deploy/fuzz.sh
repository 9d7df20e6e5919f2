#!/usr/bin/env bash
# Runs every fuzz target for the given time each (default 30s).
set -euo pipefail
cd "$(dirname "$0")/.."
time=${1:-30s}
git ls-files '*_test.go' | xargs grep -l '^func Fuzz' | while read -r file; do
	grep -o '^func Fuzz[A-Za-z0-9_]*' "$file" | sed 's/func //' | while read -r target; do
		printf '\n== %s %s\n' "$(dirname "$file")" "$target"
		go test -run '^$' -fuzz "^$target\$" -fuzztime "$time" "./$(dirname "$file")"
	done
done
