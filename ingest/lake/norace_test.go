//go:build !race

package lake

// racing says whether the race detector is on.
const racing = false
