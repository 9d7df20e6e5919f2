package analyze

import (
	"strconv"

	"marginline/ingest/series"
)

// Monitors is what the decoder knows about monitors.
type Monitors interface {
	// Family is the family of the monitor that made a result, such as "catalyst"; "" when unknown.
	Family(*series.Result) string
	// CodeFamily is the family of the monitor that sets a trouble code; "" when there is none.
	CodeFamily(code string) string
	// Group is the readiness group whose completion bit and in-use numerator a result carries; negative when none.
	Group(*series.Result) int
}

// ByFamily is implemented by Monitors that know more of the vehicles of an engine family, such as what a test
// catalogue says of them.
type ByFamily interface {
	For(engineFamily string) Monitors
}

// monitorOf names the monitor within its control unit: several tests may belong to one monitor.
func monitorOf(r *series.Result) string {
	switch {
	case r.MID != series.None:
		return "m" + strconv.Itoa(int(r.MID))
	case r.SPN != series.None:
		return "s" + strconv.Itoa(int(r.SPN))
	case r.DTC != "":
		return "d" + r.DTC
	case r.TID != series.None:
		return "t" + strconv.Itoa(int(r.TID))
	default:
		return r.Test
	}
}
