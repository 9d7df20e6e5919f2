//go:build race

package dashboards

// racing says that the race detector is on: it looks at the server, so each page is asked for once, and not again for
// every width and scheme.
const racing = true
