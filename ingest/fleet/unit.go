package fleet

import "time"

// A Unit is one vehicle, by the number painted on it. Only Unit and one of VIN and Device are required;
// absent numbers are NaN, absent dates are zero.
type Unit struct {
	Unit, VIN, Device       string
	Depot, TimeZone         string
	EngineFamily, Fuel      string
	WeightClass             string // light, medium or heavy
	GVWRKg                  float64
	State                   string
	TankL                   float64
	InService               time.Time
	OdometerKm, EngineHours float64
	PMIntervalKm            float64
	PMIntervalDays          float64
	PMIntervalHours         float64
	PMLast                  time.Time
	PMLastKm, PMLastHours   float64
	InspectionDue           time.Time
	Extra                   map[string]string // columns of the roster file that we do not know
}
