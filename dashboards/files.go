package dashboards

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/sql"
	"marginline/sql/sheet"
)

// fileRoutes add the lists as files.
func (s *Server) fileRoutes(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	for _, form := range []string{"csv", "xlsx"} {
		page("GET /alerts."+form, func(w http.ResponseWriter, r *http.Request) error {
			list, err := s.deps.Book.List(r.Context(), r.FormValue("all") == "1")
			if err != nil {
				return err
			}
			return s.file(w, "alerts", form, AlertSheet(list))
		})
		page("GET /orders."+form, func(w http.ResponseWriter, r *http.Request) error {
			list, err := s.deps.Book.Orders(r.Context())
			if err != nil {
				return err
			}
			return s.file(w, "orders", form, OrderSheet(list))
		})
		page("GET /units/{unit}/record."+form, func(w http.ResponseWriter, r *http.Request) error { return s.record(w, r, form) })
	}
}

// file answers with tables as one file: a workbook has them all, CSV the first.
func (s *Server) file(w http.ResponseWriter, name, form string, tables ...sheet.Sheet) error {
	var b bytes.Buffer
	if err := WriteFile(&b, form, tables...); err != nil {
		return fmt.Errorf("file %s.%s: %w", name, form, err)
	}
	h := w.Header()
	h.Set("Content-Type", sql.MediaType(form))
	h.Set("Content-Disposition", `attachment; filename="`+name+"."+form+`"`)
	h.Set("Cache-Control", "no-store")
	_, _ = b.WriteTo(w) // a reader that left is no failure of ours
	return nil
}

// WriteFile writes tables as csv or xlsx; csv is the first of them.
func WriteFile(b *bytes.Buffer, form string, tables ...sheet.Sheet) error {
	if form == "xlsx" {
		return sheet.Write(b, tables...)
	}
	out := sql.NewCSV(b)
	columns := make([]sql.Column, len(tables[0].Columns))
	for i, c := range tables[0].Columns {
		columns[i].Name = c
	}
	if err := out.Columns(columns); err != nil {
		return err
	}
	for _, row := range tables[0].Rows {
		for i, v := range row {
			switch v := v.(type) {
			case *time.Time:
				row[i] = nil
				if v != nil {
					row[i] = *v
				}
			case *float64:
				row[i] = nil
				if v != nil {
					row[i] = *v
				}
			}
		}
		if err := out.Row(row); err != nil {
			return err
		}
	}
	return out.Close()
}

// AlertSheet is alerts as a table.
func AlertSheet(list []alerts.Alert) sheet.Sheet {
	t := sheet.Sheet{Name: "alerts", Columns: []string{"id", "unit", "vin", "consequence", "kind", "family", "tests", "state", "raised_at", "drift_since", "margin", "limit_p10", "limit_p50", "limit_p90", "reason", "explained_by", "order_id"}}
	for _, a := range list {
		var l alerts.Limit
		if a.LimitAt != nil {
			l = *a.LimitAt
		}
		t.Rows = append(t.Rows, []any{a.ID, a.Unit, a.VIN, string(a.Consequence), string(a.Kind), a.Family, strings.Join(a.Tests, " "), string(a.State), a.RaisedAt, a.DriftSince, a.Margin, l.P10, l.P50, l.P90, a.Reason, text(a.ExplainedBy), text(a.OrderID)})
	}
	return t
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// OrderSheet is work orders as a table.
func OrderSheet(list []alerts.WorkOrder) sheet.Sheet {
	t := sheet.Sheet{Name: "orders", Columns: []string{"id", "unit", "vin", "state", "created_at", "created_by", "due_by", "day", "bay", "technician", "alerts", "outcome", "cause", "correction", "other", "hours", "parts", "closed_at"}}
	for _, o := range list {
		slot, out := alerts.Slot{}, alerts.Outcome{}
		day := ""
		if o.Slot != nil {
			slot, day = *o.Slot, o.Slot.Day.String()
		}
		if x := o.Last(); x != nil {
			out = *x
		}
		t.Rows = append(t.Rows, []any{o.ID, o.Unit, o.VIN, string(o.State), o.CreatedAt, o.CreatedBy, o.DueBy, day, slot.Bay, slot.Technician, strings.Join(o.AlertIDs, " "), string(out.Found), out.Cause, out.Correction, out.Other, out.Hours, out.Parts, o.ClosedAt})
	}
	return t
}

// record is what is kept of one unit: in CSV the history of its alerts, in a workbook also the alerts, work orders
// and facts.
func (s *Server) record(w http.ResponseWriter, r *http.Request, form string) error {
	ctx, unit := r.Context(), r.PathValue("unit")
	if s.deps.Roster.Unit(unit) == nil {
		return missing{"unit", unit, "The page Units lists those that are there."}
	}
	list, err := s.deps.Book.List(ctx, true)
	if err != nil {
		return err
	}
	history := sheet.Sheet{Name: "history", Columns: []string{"at", "alert", "who", "from", "to", "why"}}
	var own []alerts.Alert
	for _, a := range list {
		if a.Unit != unit {
			continue
		}
		own = append(own, a)
		_, steps, err := s.deps.Book.Get(ctx, a.ID)
		if err != nil {
			return err
		}
		for _, h := range steps {
			history.Rows = append(history.Rows, []any{h.At, a.ID, h.Who, string(h.From), string(h.To), h.Why})
		}
	}
	orders, err := s.deps.Book.Orders(ctx)
	if err != nil {
		return err
	}
	var visits []alerts.WorkOrder
	for _, o := range orders {
		if o.Unit == unit {
			visits = append(visits, o)
		}
	}
	facts := sheet.Sheet{Name: "facts", Columns: []string{"at", "kind", "by", "what", "odometer_km"}}
	if s.deps.Facts != nil {
		known, err := s.deps.Facts.Facts(ctx, unit)
		if err != nil {
			return err
		}
		for _, f := range known {
			facts.Rows = append(facts.Rows, []any{f.At, string(f.Kind), f.By, f.Words(), f.OdometerKm})
		}
	}
	return s.file(w, "record", form, history, AlertSheet(own), OrderSheet(visits), facts)
}
