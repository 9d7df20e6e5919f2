package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// A workbook opened again holds the types that went in, and no text of it is a formula.
func TestWrite(t *testing.T) {
	at := time.Date(2026, 5, 29, 13, 4, 5, 0, time.FixedZone("", 3600))
	hostile := []any{"=cmd|' /C calc'!A0", "+1+1", "-1", "@SUM(A1)", "\t=1", "\r=1", `=HYPERLINK("http://x")`, "_x000D_", "<c>&", "00123", strings.Repeat("ü", 40000)}
	figures := []any{1.5, int64(42), int64(math.MaxInt64), json.Number("170141183460469231731687303715884105727"), json.Number("2.5"), at, true, nil, math.NaN(), time.Time{}, []string{"a", "b"}}
	var b bytes.Buffer
	if err := Write(&b, Sheet{"one", []string{"=a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k"}, [][]any{hostile, figures}}, Sheet{"two", []string{"x"}, nil}); err != nil {
		t.Fatal(err)
	}
	raw := append([]byte(nil), b.Bytes()...)
	f, err := excelize.OpenReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if got := f.GetSheetList(); len(got) != 2 || got[1] != "two" {
		t.Error(got)
	}
	cell := func(col, row int) string {
		t.Helper()
		name, err := excelize.CoordinatesToCellName(col+1, row)
		if err != nil {
			t.Fatal(err)
		}
		return name
	}
	for i, v := range hostile {
		want := v.(string)
		if len(want) > 40000 {
			want = ""
		}
		name := cell(i, 2)
		if formula, err := f.GetCellFormula("one", name); err != nil || formula != "" {
			t.Errorf("%q is the formula %q", v, formula)
		}
		kind, err := f.GetCellType("one", name)
		if err != nil || kind != excelize.CellTypeSharedString && kind != excelize.CellTypeInlineString && kind != excelize.CellTypeFormula {
			t.Errorf("%q has the type %v %v", want, kind, err)
		}
		got, err := f.GetCellValue("one", name)
		if err != nil || want != "" && got != want {
			t.Errorf("%q came back as %q %v", want, got, err)
		}
		if want == "" && !strings.HasSuffix(got, "(cut)") {
			t.Error("a text that was cut does not say so")
		}
	}
	for i, want := range []string{"1.5", "42", "9223372036854775807", "170141183460469231731687303715884105727", "2.5", "2026-05-29 12:04:05", "TRUE", "", "", "", "a b"} {
		if got, err := f.GetCellValue("one", cell(i, 3)); err != nil || got != want {
			t.Errorf("column %d: %q %v, want %q", i, got, err, want)
		}
	}
	if v, err := f.GetCellValue("one", "F3", excelize.Options{RawCellValue: true}); err != nil || !strings.HasPrefix(v, "46171.5") { // days since 1899-12-30
		t.Errorf("a time is %q, no number of days: %v", v, err)
	}
	// Without the library: no cell of the file has a formula.
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range z.File {
		if !strings.HasPrefix(part.Name, "xl/worksheets/") {
			continue
		}
		in, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(in)
		in.Close()
		if err != nil || bytes.Contains(text, []byte("<f>")) || bytes.Contains(text, []byte("<f ")) {
			t.Errorf("%s has a formula: %v", part.Name, err)
		}
	}
}

func TestTooManyRowsAreSaid(t *testing.T) {
	b := New(io.Discard)
	if err := b.Begin("x", []string{"a"}); err != nil {
		t.Fatal(err)
	}
	b.at = MostRows + 1
	if err := b.Row([]any{1}); err == nil || !strings.Contains(err.Error(), "1048575") {
		t.Error(err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}
