package ingest

import (
	"math"
	"strings"
	"testing"

	"marginline/ingest/fleet"
	"marginline/ingest/obd"
)

// A test catalogue that speaks of an engine family reaches the readings of the units that have it, whoever
// tells which unit it is: the report's VIN, the dongle, or the vehicle itself.
func TestCatalogueOfEngineFamily(t *testing.T) {
	cat, err := obd.ParseCatalogue(strings.NewReader("applies_to,test,component,name,scale,offset,unit,signed\nKR-20,61,00,Purge flow,0.5,0,Pa,0\nKR-30,61,00,Purge flow,2,0,Pa,0\n"))
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t)
	h.cfg.Catalogue = cat
	if h.roster, err = fleet.New([]fleet.Unit{{Unit: "A", VIN: vinA, Device: "dgl-a", EngineFamily: "KR-20"}, {Unit: "B", VIN: vinB, EngineFamily: "KR-30"}, {Unit: "C", Device: "dgl-c", EngineFamily: "KR-40"}}); err != nil {
		t.Fatal(err)
	}
	h.run(nil)
	const result = "46 61 80 00A6 000D" // test 61, component 0: 166, at least 13
	older := func(id, device, vin string, messages ...string) {
		h.publish(device, strings.Replace(reportOf(id, device, vin, when, messages...), `"can"`, `"iso9141"`, 1))
	}
	older("r1", "dgl-a", "", result)
	older("r2", "dgl-q", vinB, result)
	older("r3", "dgl-q", "", "49 02 01 00 00 00 39", "49 02 02 5A 5A 54 45", "49 02 03 53 54 37 58", "49 02 04 52 41 30 30", "49 02 05 30 30 31 34", result) // says itself that it is B
	older("r4", "dgl-c", "", result)
	older("r5", "dgl-q", "", result)
	h.settled()
	got := h.stored()
	for id, want := range map[string]struct {
		value float64
		unit  string
	}{"r1": {83, "Pa"}, "r2": {332, "Pa"}, "r3": {332, "Pa"}, "r4": {166, "1"}, "r5": {166, "1"}} {
		r := got[id].Results
		if len(r) != 1 || r[0].Value != want.value || r[0].UnitOfMeasure != want.unit || math.Abs(r[0].Margin-(1-13./166)) > 1e-12 {
			t.Errorf("%s: %+v, want %v", id, r, want)
		}
	}
}
