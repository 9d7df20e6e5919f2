package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"marginline/ingest/lake"
	query "marginline/sql"
	"marginline/sql/sheet"
)

// A listing is data that a command prints: named columns and rows of plain values.
type listing struct {
	columns []string
	rows    [][]any
}

func (l *listing) add(row ...any) { l.rows = append(l.rows, row) }

// outputFlag adds -o to a command that prints data.
func outputFlag(cmd *cobra.Command) *string {
	return cmd.Flags().StringP("output", "o", "table", "table, json, csv or xlsx")
}

// checkOutput refuses a form nobody can print, before any work is done.
func checkOutput(form string) error {
	switch form {
	case "table", "json", "csv", "xlsx":
		return nil
	}
	return &misuse{fmt.Errorf("-o %q: want table, json, csv or xlsx", form)}
}

// print writes the listing in one of the forms.
func (l *listing) print(w io.Writer, form string) error {
	switch form {
	case "json":
		return l.json(w)
	case "csv":
		return l.csv(w)
	case "xlsx":
		return sheet.Write(w, sheet.Sheet{Name: "marginline", Columns: l.columns, Rows: l.rows})
	case "parquet":
		return lake.WriteSheet(w, l.columns, l.rows)
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, strings.ToUpper(strings.Join(l.columns, "\t")))
	for _, row := range l.rows {
		cells := make([]string, len(row))
		for i, v := range row {
			cells[i] = cell(v)
		}
		fmt.Fprintln(tw, strings.Join(cells, "\t"))
	}
	return tw.Flush()
}

func (l *listing) csv(w io.Writer) error {
	cw := csv.NewWriter(w)
	cw.Write(l.columns)
	for _, row := range l.rows {
		cells := make([]string, len(row))
		for i, v := range row {
			cells[i] = cell(v)
			if s, text := v.(string); text {
				cells[i] = query.Harmless(s)
			}
		}
		cw.Write(cells)
	}
	cw.Flush()
	return cw.Error()
}

// writeJSON writes one value, indented.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	return enc.Encode(v)
}

func (l *listing) json(w io.Writer) error {
	var b bytes.Buffer
	b.WriteByte('[')
	for i, row := range l.rows {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString("\n{")
		for j, v := range row {
			if j > 0 {
				b.WriteByte(',')
			}
			if f, ok := v.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
				v = nil
			}
			if t, ok := v.(time.Time); ok && t.IsZero() {
				v = nil
			}
			val, err := json.Marshal(v)
			if err != nil {
				return fmt.Errorf("column %s: %w", l.columns[j], err)
			}
			fmt.Fprintf(&b, "%q:%s", l.columns[j], val)
		}
		b.WriteByte('}')
	}
	b.WriteString("\n]\n")
	_, err := w.Write(b.Bytes())
	return err
}

// cell is a value as people read it; nothing where there is none.
func cell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return v
	case time.Time:
		if v.IsZero() {
			return ""
		}
		return v.UTC().Format("2006-01-02T15:04:05Z")
	case []string:
		return strings.Join(v, " ")
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ""
		}
		return strconv.FormatFloat(v, 'g', 6, 64)
	case *float64:
		if v == nil {
			return ""
		}
		return cell(*v)
	case *time.Time:
		if v == nil {
			return ""
		}
		return cell(*v)
	case *string:
		if v == nil {
			return ""
		}
		return *v
	}
	return fmt.Sprint(v)
}
