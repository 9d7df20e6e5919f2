// Package sheet writes tables as XLSX (ECMA-376, Office Open XML). It is the only home of the library that does.
//
// Cells are typed: numbers and times are numbers, times in UTC with a date format. Text is text whatever it begins
// with: a cell of text is never a formula, and its format is Text, so that a spreadsheet does not make one of it
// when somebody edits the cell. An integer beyond 2^53 would lose digits as a number, so it is text.
package sheet

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// MediaType is that of a workbook.
const MediaType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

// MostRows is how many rows a sheet holds below its header.
const MostRows = excelize.TotalRows - 1

// A Sheet is a table with a name.
type Sheet struct {
	Name    string // at most 31 characters, none of :\/?*[]
	Columns []string
	Rows    [][]any
}

// Write writes a workbook.
func Write(w io.Writer, sheets ...Sheet) error {
	b := New(w)
	for _, s := range sheets {
		if err := b.Begin(s.Name, s.Columns); err != nil {
			return err
		}
		for _, row := range s.Rows {
			if err := b.Row(row); err != nil {
				return err
			}
		}
	}
	return b.Close()
}

// A Writer writes a workbook row by row. Nothing is written before Close.
type Writer struct {
	to         io.Writer
	file       *excelize.File
	sheet      *excelize.StreamWriter
	sheets, at int
	text, date int
	head       int
}

// New returns a Writer to w.
func New(w io.Writer) *Writer { return &Writer{to: w, file: excelize.NewFile()} }

// Begin begins a sheet and writes its header, which stays in view.
func (b *Writer) Begin(name string, columns []string) (err error) {
	if b.sheets == 0 {
		date := "yyyy-mm-dd hh:mm:ss"
		if b.text, err = b.file.NewStyle(&excelize.Style{NumFmt: 49}); err != nil { // 49 is Text
			return fmt.Errorf("xlsx: %w", err)
		}
		if b.date, err = b.file.NewStyle(&excelize.Style{CustomNumFmt: &date}); err != nil {
			return fmt.Errorf("xlsx: %w", err)
		}
		if b.head, err = b.file.NewStyle(&excelize.Style{NumFmt: 49, Font: &excelize.Font{Bold: true}}); err != nil {
			return fmt.Errorf("xlsx: %w", err)
		}
		err = b.file.SetSheetName("Sheet1", name)
	} else {
		if err = b.sheet.Flush(); err != nil {
			return fmt.Errorf("xlsx: %w", err)
		}
		_, err = b.file.NewSheet(name)
	}
	if err != nil {
		return fmt.Errorf("xlsx: sheet %q: %w", name, err)
	}
	b.sheets++
	if b.sheet, err = b.file.NewStreamWriter(name); err != nil {
		return fmt.Errorf("xlsx: %w", err)
	}
	if len(columns) > 0 {
		err = b.sheet.SetColWidth(1, min(len(columns), excelize.MaxColumns), 18)
	}
	if err == nil {
		err = b.sheet.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"})
	}
	if err != nil {
		return fmt.Errorf("xlsx: %w", err)
	}
	cells := make([]any, len(columns))
	for i, c := range columns {
		cells[i] = excelize.Cell{StyleID: b.head, Value: cut(c)}
	}
	b.at = 1
	return b.sheet.SetRow("A1", cells)
}

// Row writes one row. Values are as sql.Sink takes them, and pointers to them.
func (b *Writer) Row(row []any) error {
	if b.at > MostRows {
		return fmt.Errorf("xlsx: a sheet holds %d rows and there are more: ask for less, or for csv or parquet", MostRows)
	}
	b.at++
	cells := make([]any, len(row))
	for i, v := range row {
		cells[i] = b.cell(v)
	}
	if err := b.sheet.SetRow("A"+strconv.Itoa(b.at), cells); err != nil {
		return fmt.Errorf("xlsx: row %d: %w", b.at, err)
	}
	return nil
}

// Close writes the workbook.
func (b *Writer) Close() error {
	defer b.file.Close()
	if b.sheet != nil {
		if err := b.sheet.Flush(); err != nil {
			return fmt.Errorf("xlsx: %w", err)
		}
	}
	if _, err := b.file.WriteTo(b.to); err != nil {
		return fmt.Errorf("xlsx: %w", err)
	}
	return nil
}

const exact = 1 << 53 // integers up to here are numbers

func (b *Writer) cell(v any) any {
	switch v := v.(type) {
	case nil, bool:
		return v
	case *string:
		if v != nil {
			return b.cell(*v)
		}
		return nil
	case *float64:
		if v != nil {
			return b.cell(*v)
		}
		return nil
	case *time.Time:
		if v != nil {
			return b.cell(*v)
		}
		return nil
	case time.Time:
		if v.IsZero() {
			return nil
		}
		if v = v.UTC(); v.Year() < 1901 || v.Year() > 9999 { // what a spreadsheet cannot reckon with
			return b.words(v.Format(time.RFC3339))
		}
		return excelize.Cell{StyleID: b.date, Value: v}
	case float32:
		return b.cell(float64(v))
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return v
	case json.Number:
		f, err := v.Float64()
		if err != nil || strconv.FormatFloat(f, 'f', -1, 64) != v.String() {
			return b.words(v.String())
		}
		return f
	case int64:
		if v > exact || v < -exact {
			return b.words(strconv.FormatInt(v, 10))
		}
		return v
	case uint64:
		if v > exact {
			return b.words(strconv.FormatUint(v, 10))
		}
		return v
	case int, int8, int16, int32, uint8, uint16, uint32:
		return v
	case string:
		return b.words(v)
	case []string:
		return b.words(strings.Join(v, " "))
	case []any, map[string]any:
		if text, err := json.Marshal(v); err == nil {
			return b.words(string(text))
		}
	}
	return b.words(fmt.Sprint(v))
}

func (b *Writer) words(s string) any {
	if s == "" {
		return nil
	}
	return excelize.Cell{StyleID: b.text, Value: cut(s)}
}

// cut is what fits into a cell, and says so where it is not all.
func cut(s string) string {
	const more = " … (cut)"
	s = strings.ToValidUTF8(s, "�")
	if utf8.RuneCountInString(s) <= excelize.TotalCellChars {
		return s
	}
	return string([]rune(s)[:excelize.TotalCellChars-utf8.RuneCountInString(more)]) + more
}
