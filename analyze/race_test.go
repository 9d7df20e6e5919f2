//go:build race

package analyze

// racing says that the race detector is on: the same checks run on less, as they are ten times slower.
const racing = true
