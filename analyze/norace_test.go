//go:build !race

package analyze_test

// racing says whether the race detector is on.
const racing = false
