package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// A test catalogue gives the maker-defined tests of an older bus a family, by engine family; the detector
// takes it, so that what it claims is put beside the codes and the knowledge of that family.
func TestCatalogueGivesFamilies(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "d")
	roster := write(t, "roster.csv", "unit,vin,device,engine_family\nU1,9ZZTEST74RA000123,dgl-1,KR-20\nU2,9ZZTEST7XRA000014,dgl-2,KR-30\n")
	cat := write(t, "tests.csv", "applies_to,test,component,name,scale,offset,unit,signed,family\nKR-20,61,00,Purge flow,0.5,0,Pa,0,evap\n")
	cfg := write(t, "marginline.yaml", "catalogue: "+cat+"\n")
	var reports strings.Builder
	for i, vin := range []string{"9ZZTEST74RA000123", "9ZZTEST7XRA000014"} {
		for n := range 5 {
			fmt.Fprintf(&reports, `{"id":"r%d.%d","device":"dgl-%d","vin":%q,"time":"2026-03-0%dT06:14:09Z","bus":"iso9141","messages":[{"from":"10","data":"46 61 80 00 %02X 00 0D"}]}`+"\n", i, n, i+1, vin, n+1, 0xA0+n)
		}
	}
	must(t, "import", "--data", data, "--config", cfg, "--roster", roster, write(t, "r.ndjson", reports.String()))
	out := must(t, "sql", "--data", data, "--config", cfg, "-o", "csv", "select unit, test, family, unit_of_measure, value from series order by unit")
	same(t, "series", "unit,test,family,unit_of_measure,value\nU1,t61.c00,evap,Pa,82\nU2,t61.c00,,1,164\n", strings.ReplaceAll(out, "\r", ""))
}
