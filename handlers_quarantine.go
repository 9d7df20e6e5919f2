package main

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"marginline/ingest"
	"marginline/ingest/broker"
)

func (a *app) listQuarantine(w http.ResponseWriter, r *http.Request) error {
	limit := 1000
	if s := r.FormValue("max"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			return fmt.Errorf("max %q: want a positive number", s)
		}
		limit = n
	}
	entries, err := a.broker.Quarantined(r.Context(), 0, 0)
	if err != nil {
		return err
	}
	entries = entries[max(0, len(entries)-limit):]
	l := listing{columns: []string{"id", "at", "device", "report_id", "message", "reason", "detail"}}
	for _, e := range entries {
		l.add(quarantineID(e.Seq, e.Message), e.At, e.Device, e.ReportID, e.Message, e.Reason, e.Detail)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) showQuarantine(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("id")
	entries, err := a.broker.Quarantined(r.Context(), 0, 0)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(entries, func(e broker.Entry) bool { return quarantineID(e.Seq, e.Message) == id })
	if i < 0 {
		return fmt.Errorf("no quarantine entry %q; see 'marginline quarantine list'", id)
	}
	e := entries[i]
	l := listing{columns: []string{"field", "value"}}
	l.add("id", id)
	l.add("at", e.At)
	l.add("device", e.Device)
	l.add("report_id", e.ReportID)
	l.add("message", e.Message)
	l.add("reason", e.Reason)
	l.add("detail", e.Detail)
	l.add("raw_hex", fmt.Sprintf("%x", e.Raw))
	if ingest.Printable(e.Raw) {
		l.add("raw_text", string(e.Raw))
	}
	return l.print(w, r.FormValue("form"))
}

// quarantineID names an entry: the sequence of its report in the log and the message within it.
func quarantineID(seq uint64, message int) string {
	if message < 0 {
		return strconv.FormatUint(seq, 10)
	}
	return fmt.Sprintf("%d.%d", seq, message)
}

// replayQuarantine sends entries through again: those whose ids are given, or all that fit device and
// reason. One that would be refused again stays where it is, and the answer says why.
func (a *app) replayQuarantine(w http.ResponseWriter, r *http.Request) error {
	ids, reason, device := r.URL.Query()["id"], r.FormValue("reason"), r.FormValue("device")
	entries, err := a.broker.Quarantined(r.Context(), 0, 0)
	if err != nil {
		return err
	}
	var chosen []broker.Entry
	found := map[string]bool{}
	for _, e := range entries {
		id := quarantineID(e.Seq, e.Message)
		if len(ids) > 0 && !slices.Contains(ids, id) || reason != "" && e.Reason != reason || device != "" && e.Device != device {
			continue
		}
		found[id] = true
		chosen = append(chosen, e)
	}
	for _, id := range ids {
		if !found[id] {
			return fmt.Errorf("no quarantine entry %q; see 'marginline quarantine list'", id)
		}
	}
	done, err := a.consumer.Replay(r.Context(), chosen)
	if err != nil {
		return err
	}
	if err := a.note(r.Context(), "quarantine replayed", strings.Join(ids, " "), fmt.Sprintf("%d entries", len(done))); err != nil {
		return err
	}
	l := listing{columns: []string{"id", "device", "reason", "taken", "report_id", "why"}}
	for _, d := range done {
		l.add(quarantineID(d.Entry.Seq, d.Entry.Message), d.Entry.Device, d.Entry.Reason, d.Taken, d.Report, d.Why)
	}
	return l.print(w, r.FormValue("form"))
}
