//go:build race

package lake

// racing says that the race detector is on: then pools lose some of what they are given.
const racing = true
