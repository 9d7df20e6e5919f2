//go:build !race

package dashboards

// racing says whether the race detector is on.
const racing = false
