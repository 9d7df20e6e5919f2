package report_test

import (
	"encoding/hex"
	"fmt"
	"math"
	"testing"
	"time"

	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// forty is a report of forty results of a test with a minimum, in so many messages of one control unit.
func forty(messages int) *report.Report {
	r := &report.Report{
		ID: "dgl-0217-69a52a31", Device: "dgl-0217", VIN: "9ZZTEST74RA000123", Bus: series.CAN,
		Time: time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC), OdometerKm: 48211.4, EngineHours: math.NaN(),
	}
	for m := range messages {
		data := []byte{0x46}
		for i := range 40 / messages {
			data = append(data, byte(0x21+m), byte(0x80+i), 0x20, 0x01, byte(i), 0x00, 0x80, 0xFF, 0xFF)
		}
		r.Messages = append(r.Messages, report.Message{From: "7E8", PGN: series.None, Data: data})
	}
	return r
}

// forms gives a report as it is sent.
func forms(t testing.TB, r *report.Report) map[string][]byte {
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	return map[string][]byte{"json": text, "protobuf": b}
}

func decodable(r *report.Report, into []obd.Message) []obd.Message {
	into = into[:0]
	for _, m := range r.Messages {
		into = append(into, obd.Message{From: m.From, PGN: m.PGN, Data: m.Data})
	}
	return into
}

// BenchmarkReport takes a whole report of forty results from its bytes to results. "decode" is the same
// without the report around it: the others are to be read as multiples of it, from one run.
func BenchmarkReport(b *testing.B) {
	for _, messages := range []int{1, 10} {
		r := forty(messages)
		var d obd.Decoder
		decode := func(b *testing.B, msgs []obd.Message) {
			if len(d.Decode(series.CAN, msgs, nil).Results()) != 40 {
				b.Fatal("results")
			}
		}
		b.Run(fmt.Sprintf("messages=%d/decode", messages), func(b *testing.B) {
			b.ReportAllocs()
			msgs := decodable(r, nil)
			for b.Loop() {
				decode(b, msgs)
			}
		})
		sent := forms(b, r)
		for _, form := range []string{"json", "protobuf"} {
			b.Run(fmt.Sprintf("messages=%d/%s", messages, form), func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(len(sent[form])))
				var parser report.Parser
				var msgs []obd.Message
				for b.Loop() {
					r, err := parser.Parse(sent[form])
					if err != nil {
						b.Fatal(err)
					}
					msgs = decodable(r, msgs)
					decode(b, msgs)
				}
			})
		}
	}
}

// With memory that is used again a whole report costs a handful of allocations, however many messages and results it has:
// its id, and what scans the JSON.
func TestReportAllocatesAHandful(t *testing.T) {
	for _, messages := range []int{1, 10, 20} {
		for form, payload := range forms(t, forty(messages)) {
			var parser report.Parser
			var d obd.Decoder
			var msgs []obd.Message
			once := func() {
				r, err := parser.Parse(payload)
				if err != nil {
					t.Fatal(err)
				}
				msgs = decodable(r, msgs)
				if n := len(d.Decode(r.Bus, msgs, nil).Results()); n != 40 {
					t.Fatalf("%d results", n)
				}
			}
			once()
			if n := testing.AllocsPerRun(100, once); n > 5 {
				t.Errorf("%d messages as %s: %v allocations", messages, form, n)
			} else {
				t.Logf("%d messages as %s: %v allocations, %d bytes sent", messages, form, n, len(payload))
			}
		}
	}
}

// The two forms of one report, as a second program would write them.
func ExampleParse() {
	text := []byte(`{"id":"a","device":"d","time":"2026-03-02T06:14:09Z","bus":"can","messages":[{"from":"7E8","data":"41 2F 80"}]}`)
	binary, _ := hex.DecodeString("1201611a0164220608b1d594cd062a0363616e520a0a033745381a03412f80")
	for _, payload := range [][]byte{text, binary} {
		r, err := report.Parse(payload)
		if err != nil {
			fmt.Println(err)
			continue
		}
		fmt.Printf("%s %s %s %X\n", r.Device, r.Time.Format(time.RFC3339), r.Messages[0].From, r.Messages[0].Data)
	}
	// Output:
	// d 2026-03-02T06:14:09Z 7E8 412F80
	// d 2026-03-02T06:14:09Z 7E8 412F80
}
