package obd

import (
	"strings"
	"testing"

	"marginline/ingest/series"
)

const invented = `applies_to,test,component,name,scale,offset,unit,signed
*,61,00,Purge valve travel,0.5,,mm,
INV-CAL-0007,61,00,Purge valve travel (second edition),0.25,,mm,
inline six,61,00,Purge valve travel (six),2,,mm,
*,62,,Leak detection pressure,0.01,-1,kPa,
*,63,01,Trim,0.1,,%,1
*,m21.t89,,Oxygen storage,9,,never,
*,m21.t80,,Own scale,3,,mg,
*,s3242.f16.t247,,Filter temperature,7,,Cel,
`

// A test catalogue gives meaning to tests of the maker's own; the standard's units are never replaced.
func TestCatalogue(t *testing.T) {
	cat, err := ParseCatalogue(strings.NewReader(invented))
	if err != nil {
		t.Fatal(err)
	}
	decode := func(bus series.Bus, cat *Catalogue, msgs ...string) (*Report, string) {
		rep := Decode(bus, messages(t, msgs...), cat)
		var all []string
		for i := range rep.Items {
			if r := rep.Items[i].Result; r != nil {
				all = append(all, row(r)+" "+rep.Items[i].Name)
			}
		}
		return rep, strings.Join(all, "; ")
	}
	for _, c := range []struct {
		bus  series.Bus
		cat  *Catalogue
		data []string
		want string
	}{
		{series.ISO9141, cat, []string{"10 46 61 80 00A6 000D"}, "10 t61.c00 83 [6.5 -] mm ok pass 0.921686747 Purge valve travel"},
		{series.ISO9141, cat.For("inline six"), []string{"10 46 61 80 00A6 000D"}, "10 t61.c00 332 [26 -] mm ok pass 0.921686747 Purge valve travel (six)"},
		{series.ISO9141, cat.For("inline six"), []string{"10 46 61 80 00A6 000D", "10 49 04 01 494E562D", "10 49 04 02 43414C2D", "10 49 04 03 30303037", "10 49 04 04 00000000"},
			"10 t61.c00 41.5 [3.25 -] mm ok pass 0.921686747 Purge valve travel (second edition)"},
		{series.ISO9141, cat, []string{"10 46 62 05 00C8 012C"}, "10 t62.c05 1 [- 2] kPa ok pass - Leak detection pressure"},
		{series.ISO9141, cat, []string{"10 46 63 01 FFF6 0014", "10 46 63 81 FFF6 FFEC"}, "10 t63.c01 -1 [-2 2] % ok pass 0.5 Trim"},
		{series.ISO9141, cat, []string{"10 46 64 01 0001 0002"}, "10 t64.c01 1 [- 2] 1 ok pass 0.5 "},
		{series.CAN, cat, []string{"7E8 46 21 89 20 0140 0080 FFFF"}, "7e8 m21.t89 1.249984 [0.4999936 -] 1 ok pass 0.6 Oxygen storage"},
		{series.CAN, cat, []string{"7E8 46 21 80 45 0002 0000 0008"}, "7e8 m21.t80 6 [- 24] mg ok pass 0.75 Own scale"},
		{series.J1939, cat, []string{"00 F7 AA0C10 5500 6400 C800 FFFF"}, "00 s3242.f16.t247 700 [- 1400] Cel ok pass 0.5 Filter temperature"},
		{series.J1939, cat, []string{"00 F7 AA0C10 4400 A047 605A FFFF"}, "00 s3242.f16.t247 300 [- 450] Cel ok pass - Filter temperature"},
	} {
		rep, got := decode(c.bus, c.cat, c.data...)
		if got != c.want {
			t.Errorf("%v\n got %s\nwant %s", c.data, got, c.want)
		}
		if it := rep.Items[0]; it.Name != "" && !strings.HasPrefix(it.Explain(), it.Name) {
			t.Error(it.Explain())
		}
	}
	// Raw fields carry the catalogue's sign.
	rep, _ := decode(series.ISO9141, cat, "10 46 63 01 FFF6 0014")
	if r := rep.Results()[0]; r.Raw.Value != -10 || r.Coding != series.OlderSigned {
		t.Errorf("%+v", r)
	}
}

// A catalogue can say which family a maker's own test belongs to; it never overrules the monitor table.
func TestCatalogueFamily(t *testing.T) {
	cat, err := ParseCatalogue(strings.NewReader("applies_to,test,component,family\n*,61,00,evap\nINV-CAL-0007,61,00,egr\n*,m21.t89,,evap\n*,me1.t80,,boost\n"))
	if err != nil {
		t.Fatal(err)
	}
	older := call(t, series.ISO9141, "10 46 61 80 00A6 000D").Results()[0]
	other := older
	other.CalID = "X+INV-CAL-0007"
	catalyst := call(t, series.CAN, "7E8 46 21 89 20 0140 0080 FFFF").Results()[0]
	maker := call(t, series.CAN, "7E8 46 E1 80 20 0140 0080 FFFF").Results()[0]
	none := (*Catalogue)(nil)
	for i, got := range []string{cat.Family(&older), cat.Family(&other), cat.Family(&catalyst), cat.Family(&maker), none.Family(&older), none.Family(&catalyst)} {
		if want := []string{"evap", "egr", "catalyst", "boost", "unknown", "catalyst"}[i]; got != want {
			t.Errorf("%d: %s, want %s", i, got, want)
		}
	}
	if _, err := ParseCatalogue(strings.NewReader("applies_to,test,family\n*,61,evaporative\n")); err == nil || !strings.Contains(err.Error(), "evaporative") {
		t.Error(err)
	}
}

func TestCatalogueErrors(t *testing.T) {
	head := "applies_to,test,component,name,scale,offset,unit,signed\n"
	for text, want := range map[string]string{
		"":                                                "empty",
		"test,name\n61,x\n":                               `no column "applies_to"`,
		head + "*,zz,,x,1,0,mm,0\n":                       `line 2: test "zz"`,
		head + "*,61,zz,x,1,0,mm,0\n":                     `line 2: component "zz"`,
		head + "*,61,,x,0,0,mm,0\n":                       `line 2: scale "0"`,
		head + "*,61,,x,-1,0,mm,0\n":                      `line 2: scale "-1"`,
		head + "*,61,,x,NaN,0,mm,0\n":                     `line 2: scale "NaN"`,
		head + "*,61,,x,1,Inf,mm,0\n":                     `line 2: offset "Inf"`,
		head + "*,61,,x,1,0,mm,perhaps\n":                 `line 2: signed "perhaps"`,
		head + ",61,,x,1,0,mm,0\n":                        "line 2: applies_to",
		head + "*,61,00,x,1,0,mm,0\n*,61,00,y,1,0,mm,0\n": "line 3: * t61.c00 is named twice",
		head + "*,\"61,,x\n":                              "line 2",
	} {
		_, err := ParseCatalogue(strings.NewReader(text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
