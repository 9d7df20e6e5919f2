package main

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"marginline/ingest/obd"
	"marginline/ingest/obd/transport"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// readOnly are the services that a dongle may send, and for UDS the report types of service 19.
var readOnly = []byte{0x01, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22}

// asks says what a request of on-board diagnostics asks, as the guide words it.
func asks(t *testing.T, line int, data []byte) string {
	t.Helper()
	if len(data) == 0 || !slices.Contains(readOnly, data[0]) {
		t.Errorf("line %d: % X is no read request", line, data)
	}
	return fmt.Sprintf("service %02X: % X", data[0], data[1:])
}

// controls says what a frame of the dongle on CAN means: ISO 15765-2, SAE J1939-21 and -73, from memory.
func controls(t *testing.T, line int, f *transport.Frame) string {
	t.Helper()
	d := f.Data
	switch transport.RoleOf(f.ID, f.Extended) {
	case transport.Request:
		if fc, ok := transport.ParseFlowControl(d); ok {
			if fc.Status != 0 || fc.BlockSize != 0 {
				t.Errorf("line %d: %+v", line, fc)
			}
			return fmt.Sprintf("flow control: go on, all of it, %d ms apart", fc.SeparationTime.Milliseconds())
		}
		if len(d) != 8 || d[0] == 0 || d[0] > 7 {
			t.Fatalf("line %d: no single frame of eight bytes", line)
		}
		return asks(t, line, d[1:1+d[0]])
	case transport.Group:
		group := func(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }
		switch pgn := series.PGN(f.ID); {
		case pgn == 59904 && len(d) == 3:
			return fmt.Sprintf("request of PGN %d", group(d))
		case pgn == 58112 && len(d) == 8:
			if d[0] != 247 || d[3]&0x1F != 31 {
				t.Errorf("line %d: a DM7 that may start something", line)
			}
			return fmt.Sprintf("DM7: test %d of SPN %d, FMI %d", d[0], int(d[1])|int(d[2])<<8|int(d[3]>>5)<<16, d[3]&0x1F)
		case pgn == 60416 && len(d) == 8 && d[0] == 17:
			return fmt.Sprintf("clear to send %d packets from %d of PGN %d", d[1], d[2], group(d[5:]))
		case pgn == 60416 && len(d) == 8 && d[0] == 19:
			return fmt.Sprintf("all %d bytes of PGN %d came", int(d[1])|int(d[2])<<8, group(d[5:]))
		}
	}
	t.Errorf("line %d: nothing that a dongle sends", line)
	return ""
}

// Every frame of the guide is what its words say: requests read and do nothing else, answers go through the
// reassembly and the decoder, check bytes fit, and the messages are those of the report of the same bus.
func TestDongleGuide_Exchanges(t *testing.T) {
	reports := guideReports(t)
	for _, e := range examplesOf(t, "exchange", "can") {
		runExchange(t, e, reports["can"])
	}
	for _, bus := range []string{"iso9141", "iso14230", "j1850", "uds", "j1939"} {
		for _, e := range examplesOf(t, "exchange", bus) {
			runExchange(t, e, reports[bus])
		}
	}
}

func runExchange(t *testing.T, e example, inReport string) {
	t.Helper()
	bus, err := series.ParseBus(e.args[0])
	if err != nil {
		t.Fatal(err)
	}
	var done []obd.Message
	now := time.Unix(1772432049, 0)
	line := 0
	a := transport.Assembler{Handle: func(m *transport.Message) {
		if m.Err != nil {
			t.Errorf("line %d: %v", line, m.Err)
		}
		if m.J1939 && (m.PGN == 59904 || m.PGN == 58112) { // the dongle's own
			return
		}
		done = append(done, obd.Message{From: m.From(), PGN: m.PGN, Data: bytes.Clone(m.Data)})
	}}
	told := 0
	for i, text := range strings.Split(strings.TrimSuffix(e.text, "\n"), "\n") {
		line = e.line + i + 1
		frame, words, _ := strings.Cut(text, "#")
		fields, words := strings.Fields(frame), strings.TrimSpace(words)
		if len(fields) < 3 || fields[0] != ">" && fields[0] != "<" {
			t.Fatalf("line %d: %q is no frame", line, text)
		}
		ours := fields[0] == ">"
		now = now.Add(10 * time.Millisecond)
		if bus.Older() {
			raw, err := hex.DecodeString(strings.Join(fields[1:], ""))
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			m, err := transport.ReadOlder(bus, raw)
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			if ours != (m.Role == transport.Request) {
				t.Errorf("line %d: the frame goes the other way", line)
			}
			if !ours {
				done = append(done, obd.Message{From: m.From(), PGN: series.None, Data: m.Data})
			} else if got := asks(t, line, m.Data); got != words {
				t.Errorf("line %d: %q, the guide says %q", line, got, words)
			}
		} else {
			id, err := strconv.ParseUint(fields[1], 16, 29)
			if err != nil {
				t.Fatalf("line %d: %v", line, err)
			}
			data, err := hex.DecodeString(strings.Join(fields[2:], ""))
			if err != nil || len(data) > 8 {
				t.Fatalf("line %d: %v, %d bytes", line, err, len(data))
			}
			f := &transport.Frame{Time: now, ID: uint32(id), Extended: len(fields[1]) > 3, Data: data}
			if role := transport.RoleOf(f.ID, f.Extended); role != transport.Group && ours != (role == transport.Request) {
				t.Errorf("line %d: the frame goes the other way", line)
			}
			if ours {
				if got := controls(t, line, f); got != words {
					t.Errorf("line %d: %q, the guide says %q", line, got, words)
				}
			}
			a.Frame(f)
		}
		if ours || words == "" {
			if len(done) != 0 {
				t.Errorf("line %d: a message is complete, and the guide does not say what it tells", line)
			}
			continue
		}
		if len(done) != 1 {
			t.Fatalf("line %d: %d messages are complete", line, len(done))
		}
		tells(t, line, bus, done, words)
		if inReport != "" && len(e.args) == 1 { // of the vehicle that the report is of
			contains(t, line, inReport, bus, done[0])
		}
		done = done[:0]
		told++
	}
	a.End()
	if told == 0 {
		t.Errorf("line %d: an exchange that tells nothing", e.line)
	}
}

// tells checks that each of the words, separated by semicolons, is part of what a message says, and that every
// test in it is named.
func tells(t *testing.T, line int, bus series.Bus, msgs []obd.Message, words string) {
	t.Helper()
	read := obd.Decode(bus, msgs, nil)
	var said []string
	for i := range read.Items {
		it := &read.Items[i]
		if it.Err != nil {
			t.Errorf("line %d: %v", line, it.Err)
			continue
		}
		text := it.Explain()
		if it.Result != nil {
			text = it.Result.Test + ": " + text
			if !strings.Contains(words, it.Result.Test) {
				t.Errorf("line %d: %s is not named", line, it.Result.Test)
			}
		}
		said = append(said, text)
	}
	for _, part := range strings.Split(words, "; ") {
		if !slices.ContainsFunc(said, func(s string) bool { return strings.Contains(s, part) }) {
			t.Errorf("line %d: nothing says %q, but: %q", line, part, said)
		}
	}
}

// contains checks that a message of an exchange stands in the report of its bus.
func contains(t *testing.T, line int, text string, bus series.Bus, m obd.Message) {
	t.Helper()
	r, err := report.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if r.Bus != bus || !slices.ContainsFunc(r.Messages, func(x report.Message) bool {
		return x.From == m.From && x.PGN == m.PGN && bytes.Equal(x.Data, m.Data)
	}) {
		t.Errorf("line %d: the report of the guide lacks %s % X", line, m.From, m.Data)
	}
}
