//go:build !race

package analyze

// racing says whether the race detector is on.
const racing = false
