package obd_test

import (
	"fmt"

	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// The remembered example of ISO 15031-5: one message, three tests.
func ExampleDecode() {
	data, err := obd.ParseHex("46 01 01 0A 0BB0 0BB0 0BB0 01 05 10 0048 0000 0060 01 85 24 0096 004B FFFF")
	if err != nil {
		fmt.Println(err)
		return
	}
	rep := obd.Decode(series.CAN, []obd.Message{{From: "7E8", PGN: series.None, Data: data}}, nil)
	for _, r := range rep.Results() {
		fmt.Printf("%s %s %.6g %s margin %.2f\n", r.Test, r.State, r.Value, r.UnitOfMeasure, r.Margin)
	}
	// Output:
	// m01.t01 constant 365.024 mV margin NaN
	// m01.t05 ok 72 ms margin 0.25
	// m01.t85 ok 150 {count} margin 0.50
}
