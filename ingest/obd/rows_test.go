package obd

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"marginline/ingest/series"
)

// A decoder that reads report after report gives of each what a new decoder does, whatever came before: the same
// tests with other values, limits, units or senders, more or fewer of them, whole or broken, with and without what
// tells more of them, in all forms of records.
func TestDecoderRemembersNothingWrong(t *testing.T) {
	cat, err := ParseCatalogue(strings.NewReader("applies_to,test,component,name,scale,offset,unit,signed,family\n*,m21.t81,,known by name,0.5,-3,Cel,1,evap\nINV-CAL-0007,61,00,purge,2,0,Pa,0,evap\n"))
	if err != nil {
		t.Fatal(err)
	}
	told := []string{"41 41 00 07 65 04", "41 41 00 07 65 05", "49 04 01 494E562D43414C2D3030303700000000", "49 06 01 1A2B3C4D", "49 08 04 0001 0002 0003 0004", "43 01 0420", "7F 06 78", "55",
		"46 61 80 00A6 000D", "46 61 00 00A6 00FF", "41 2F 80"}
	small := func(t *rapid.T, name string, of ...byte) byte { return rapid.SampledFrom(of).Draw(t, name) }
	word := func(t *rapid.T, name string) []byte {
		return []byte{small(t, name, 0, 0x7F, 0x80, 0xFF), small(t, name, 0, 1, 0xFF)}
	}
	message := rapid.Custom(func(t *rapid.T) Message {
		m := Message{From: rapid.SampledFrom([]string{"7E8", "7E9", "18DAF110", "10", "", "bad"}).Draw(t, "from"), PGN: series.None}
		form := rapid.IntRange(0, 9).Draw(t, "form")
		if form > 6 {
			m.Data, _ = ParseHex(rapid.SampledFrom(told).Draw(t, "told"))
			return m
		}
		mid := small(t, "monitor", 0x21, 0x22)
		switch {
		case form == 5:
			m.Data = []byte{0x62, 0xF6, mid}
		case form == 6:
			m.Data = []byte{0x59, 0x06, 0x04, 0x20, 0x00, 0x00, 0x92, 0}
		default:
			m.Data = []byte{0x46}
		}
		n := rapid.IntRange(1, 5).Draw(t, "n")
		for range n {
			uas := small(t, "unit", 0x10, 0x90, 0x16, 0x45, 0xC5)
			switch form {
			case 5:
				m.Data = append(m.Data, small(t, "test", 0x80, 0x81), uas)
			case 6:
				m.Data = append(m.Data, 0, uas)
				m.Data[7]++
			default:
				m.Data = append(m.Data, mid, small(t, "test", 0x80, 0x81), uas)
			}
			m.Data = slices.Concat(m.Data, word(t, "value"), word(t, "minimum"), word(t, "maximum"))
		}
		if rapid.IntRange(0, 9).Draw(t, "broken") == 0 {
			if form < 5 {
				m.Data[len(m.Data)-9] = 0x20 // a support id among results: known at the last record only
			} else {
				m.Data = m.Data[:len(m.Data)-1]
			}
		}
		return m
	})
	rapid.Check(t, func(t *rapid.T) {
		var d Decoder
		pool := rapid.SliceOfN(message, 1, 5).Draw(t, "messages")
		for range rapid.IntRange(2, 12).Draw(t, "polls") {
			bus := rapid.SampledFrom([]series.Bus{series.CAN, series.CAN, series.UDS, series.J1850}).Draw(t, "bus")
			msgs := rapid.SliceOfN(rapid.SampledFrom(pool), 1, 5).Draw(t, "report")
			if rapid.IntRange(0, 3).Draw(t, "another") == 0 {
				msgs[0].From = "7EA"
			}
			if i := rapid.IntRange(0, len(msgs)-1).Draw(t, "changes"); len(msgs[i].Data) > 8 && rapid.Bool().Draw(t, "change") {
				msgs[i].Data = slices.Clone(msgs[i].Data)
				msgs[i].Data[rapid.IntRange(1, len(msgs[i].Data)-1).Draw(t, "at")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
			}
			var use *Catalogue
			if rapid.Bool().Draw(t, "catalogue") {
				use = cat
			}
			got, want := d.Decode(bus, msgs, use), Decode(bus, msgs, use)
			if a, b := plain(got), plain(want); a != b {
				t.Fatalf("%s %x\n got %s\nwant %s", bus, msgs, a, b)
			}
			n := 0
			for i := range got.Items {
				if got.Items[i].Kind == KindResult {
					if got.Items[i].Result != &got.results[n] {
						t.Fatalf("item %d does not show result %d", i, n)
					}
					n++
				}
			}
		}
	})
}

// Rows that move when two limits of an older bus join are not those of their place any more.
func TestDecoderForgetsMovedRows(t *testing.T) {
	var d Decoder
	msgs := messages(t, "10 46 03 04 0078 0190", "10 46 03 84 0078 003C", "10 62 F6 01 05 10 0024 0000 0089 86 20 0140 0080 FFFF")
	for range 4 {
		if got, want := plain(d.Decode(series.J1850, msgs, nil)), plain(Decode(series.J1850, msgs, nil)); got != want {
			t.Fatalf("got %s\nwant %s", got, want)
		}
	}
}

// plain writes all that a report holds.
func plain(rep *Report) string {
	items, err := json.Marshal(rep)
	if err != nil {
		panic(err)
	}
	var names []string
	for _, it := range rep.Items {
		names = append(names, fmt.Sprint(it.Message, it.Name, it.Note))
	}
	return fmt.Sprintf("%s %+v %v %v %q %q %q %+v", items, rep.Results(), names, rep.Codes(), rep.VINs, rep.CalIDs, rep.CVNs, rep.Context)
}
