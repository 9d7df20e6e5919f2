package transport

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// frame reads "ID HEX", with an id of 3 or 8 digits; white space in the data is free.
func frame(t testing.TB, at time.Time, s string) *Frame {
	t.Helper()
	id, data, _ := strings.Cut(s, " ")
	n, err := strconv.ParseUint(id, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	b, err := hex.DecodeString(strings.Join(strings.Fields(data), ""))
	if err != nil {
		t.Fatal(s, err)
	}
	return &Frame{Time: at, Interface: "can0", ID: uint32(n), Extended: len(id) == 8, FD: len(b) > 8, Data: b}
}

// said writes a message as a test wants it: "FROM data", "FROM/PGN data", or "FROM !reason".
func said(m *Message) string {
	s := m.From()
	if m.PGN != series.None {
		s += fmt.Sprintf("/%d", m.PGN)
	}
	if m.Err != nil {
		n := 0
		for range m.Frames() {
			n++
		}
		return fmt.Sprintf("%s !%v [%d frames]", s, m.Err, n)
	}
	return fmt.Sprintf("%s %X", s, m.Data)
}

// assemble gives what becomes of the frames, 10 ms apart; "+2s" lets time pass, "end" ends the recording.
func assemble(t *testing.T, a *Assembler, frames ...string) (got []string) {
	t.Helper()
	a.Handle = func(m *Message) { got = append(got, said(m)) }
	at := start
	for _, s := range frames {
		if s == "end" {
			a.End()
			continue
		}
		if wait, ok := strings.CutPrefix(s, "+"); ok {
			d, err := time.ParseDuration(wait)
			if err != nil {
				t.Fatal(err)
			}
			at = at.Add(d)
			a.Expire(at)
			continue
		}
		at = at.Add(10 * time.Millisecond)
		a.Frame(frame(t, at, s))
	}
	return got
}

type scene struct {
	name   string
	frames []string
	want   []string
}

func (c *scene) run(t *testing.T) {
	t.Run(c.name, func(t *testing.T) {
		var a Assembler
		got := assemble(t, &a, c.frames...)
		for i := range max(len(got), len(c.want)) {
			g, w := "nothing", "nothing"
			if i < len(got) {
				g = got[i]
			}
			if i < len(c.want) {
				w = c.want[i]
			}
			if g != w {
				t.Errorf("message %d\n got %s\nwant %s", i+1, g, w)
			}
		}
		n := a.Counts
		if n.Frames != n.Payload+n.Requests+n.Controls+n.Other {
			t.Errorf("the counts do not add up: %+v", n)
		}
	})
}
