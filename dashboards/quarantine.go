package dashboards

import (
	"cmp"
	"context"
	"encoding/hex"
	"net/http"
	"slices"
	"time"
	"unicode"
	"unicode/utf8"
)

// Held is a report or a message that could not be taken in, with the reason and the raw bytes.
type Held struct {
	ID       string
	At       time.Time // when the log took the report
	Device   string
	ReportID string // "" when it could not be read
	Message  int    // place of the message in its report, from 0; below 0: the whole report
	Reason   string // a short stable word
	Detail   string
	Raw      []byte
}

// Retried says what became of an entry that was sent through again.
type Retried struct {
	ID     string
	Taken  bool   // it has come in and left the quarantine
	Report string // as this report
	Why    string // it stays, and why
}

// Quarantine keeps what could not be taken in.
type Quarantine interface {
	// Held are the entries, the oldest first.
	Held(ctx context.Context) ([]Held, error)
	// Replay sends entries through again after a fix. What would be refused again stays.
	Replay(ctx context.Context, ids []string) ([]Retried, error)
}

// reasonWords says what a reason means and what usually mends it.
var reasonWords = map[string][2]string{
	"unreadable":          {"The report is no readable object.", "The dongle’s program has to be mended; nothing can be replayed before."},
	"missing_field":       {"A required field is not there.", "The dongle’s program has to be mended."},
	"device_mismatch":     {"The report names another dongle than the subject it came by.", "Check how the dongle is set up."},
	"vin_mismatch":        {"The vehicle says another VIN than the report.", "Was the dongle moved? Set the roster right, then send it through again."},
	"unit_mismatch":       {"VIN and dongle belong to different units of the roster.", "Set the roster right, then send it through again."},
	"conflicting_content": {"A report with this id and other content was stored before.", "The first one stays; the dongle gave one id twice."},
	"poison":              {"Reading it made this program fail.", "Keep it for whoever mends the program; a new version may read it."},
	"undecodable":         {"The bytes do not fit the service they claim.", "Often a bad cable or a new control unit; a new version may decode it."},
	"bad_length":          {"The message does not hold whole records.", "Often cut off on the way; look whether one dongle sends all of them."},
	"unknown_service":     {"There is no decoder for this service.", "A new version may decode it."},
	"not_reassembled":     {"Frames of the message were lost or came out of order.", "The dongle reads the bus too slowly, or its filter drops frames."},
}

type heldRow struct {
	Held
	When          moment
	Whole         bool
	Means, Remedy string
}

type reasonCount struct {
	Reason, Means string
	Count         int
}

type quarantinePage struct {
	Rows           []heldRow
	Total, Left    int // entries in all; entries that fit but are not shown
	Reasons        []reasonCount
	Devices        []string
	Reason, Device string // shown only
	Tried          []Retried
	Taken          int
	Fault          string
}

// heldRows is how many entries the page shows at most.
const heldRows = 200

// errNoQuarantine says that no quarantine belongs to these pages.
var errNoQuarantine = missing{"page", "quarantine", "These pages run without a quarantine."}

func (s *Server) quarantine(w http.ResponseWriter, r *http.Request) error {
	return s.showQuarantine(w, r, http.StatusOK, nil, "")
}

func (s *Server) showQuarantine(w http.ResponseWriter, r *http.Request, status int, tried []Retried, fault string) error {
	if s.deps.Quarantine == nil {
		return errNoQuarantine
	}
	all, err := s.deps.Quarantine.Held(r.Context())
	if err != nil {
		return err
	}
	p := quarantinePage{Total: len(all), Reason: r.FormValue("reason"), Device: r.FormValue("device"), Tried: tried, Fault: fault}
	for _, t := range tried {
		if t.Taken {
			p.Taken++
		}
	}
	counts := map[string]int{}
	for _, h := range slices.Backward(all) {
		counts[h.Reason]++
		if !slices.Contains(p.Devices, h.Device) && h.Device != "" {
			p.Devices = append(p.Devices, h.Device)
		}
		switch {
		case p.Reason != "" && h.Reason != p.Reason || p.Device != "" && h.Device != p.Device:
		case len(p.Rows) == heldRows:
			p.Left++
		default:
			p.Rows = append(p.Rows, s.heldRow(h))
		}
	}
	for reason, n := range counts {
		p.Reasons = append(p.Reasons, reasonCount{reason, reasonWords[reason][0], n})
	}
	slices.SortFunc(p.Reasons, func(a, b reasonCount) int { return cmp.Or(b.Count-a.Count, cmp.Compare(a.Reason, b.Reason)) })
	slices.Sort(p.Devices)
	return s.show(w, r, status, "quarantine", view{Title: "Quarantine", Nav: "fleet", Body: p})
}

func (s *Server) heldRow(h Held) heldRow {
	words := reasonWords[h.Reason]
	return heldRow{Held: h, When: moment{h.At, s.readersZone()}, Whole: h.Message < 0, Means: words[0], Remedy: words[1]}
}

type heldPage struct {
	heldRow
	Hex, Text string
}

// quarantined shows one entry with its raw bytes.
func (s *Server) quarantined(w http.ResponseWriter, r *http.Request) error {
	if s.deps.Quarantine == nil {
		return errNoQuarantine
	}
	all, err := s.deps.Quarantine.Held(r.Context())
	if err != nil {
		return err
	}
	id := r.PathValue("id")
	i := slices.IndexFunc(all, func(h Held) bool { return h.ID == id })
	if i < 0 {
		return missing{"quarantine entry", id, "It may have come in after a replay, or left the quarantine by its age."}
	}
	p := heldPage{heldRow: s.heldRow(all[i]), Hex: hexLines(all[i].Raw)}
	if printable(all[i].Raw) {
		p.Text = string(all[i].Raw)
	}
	return s.show(w, r, http.StatusOK, "held", view{Title: "Quarantine entry " + id, Nav: "fleet", Body: p})
}

// hexLines writes bytes as hex in pairs, 16 a line.
func hexLines(b []byte) string {
	var out []byte
	for i, x := range b {
		switch {
		case i == 0:
		case i%16 == 0:
			out = append(out, '\n')
		default:
			out = append(out, ' ')
		}
		out = hex.AppendEncode(out, []byte{x})
	}
	return string(out)
}

// printable says whether bytes are text that can be shown.
func printable(b []byte) bool {
	if !utf8.Valid(b) {
		return false
	}
	for _, c := range string(b) {
		if !unicode.IsPrint(c) && !unicode.IsSpace(c) {
			return false
		}
	}
	return len(b) > 0
}

// replay sends the chosen entries through again and shows what became of each.
func (s *Server) replay(w http.ResponseWriter, r *http.Request) error {
	if s.deps.Quarantine == nil {
		return errNoQuarantine
	}
	r.Body = http.MaxBytesReader(w, r.Body, 256<<10)
	if err := r.ParseForm(); err != nil {
		return s.showQuarantine(w, r, http.StatusUnprocessableEntity, nil, "What was sent could not be read; nothing was changed.")
	}
	ids := r.PostForm["id"]
	if len(ids) == 0 {
		return s.showQuarantine(w, r, http.StatusUnprocessableEntity, nil, "No entry is chosen. Mark those that should go through again.")
	}
	done, err := s.deps.Quarantine.Replay(r.Context(), ids)
	if err != nil {
		return err
	}
	s.hub.changed("")
	return s.showQuarantine(w, r, http.StatusOK, done, "")
}
