package dashboards

import (
	"bytes"
	"image"
	_ "image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// poppler runs one of the tools of poppler-utils, an independent reader of PDF (`make parts` installs it).
func poppler(t *testing.T, name string, args ...string) string {
	t.Helper()
	var errs bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v %s; `make parts` installs poppler-utils", name, err, errs.String())
	}
	return string(out)
}

// A work order as the printer gets it, read by another program: one or two sheets, nothing but greys, the safety block
// before everything that is to be done, the small chart with its limit, boxes to tick, what proves it and the deference.
func TestWorkOrderAsPDF(t *testing.T) {
	s := open(t, market(), marketBook(t))
	b := browse(t, s)
	for _, alertID := range []string{"a-408", "a-217"} {
		id, pdf := printed(t, b, s, alertID, 8.27, 11.69)
		dir := t.TempDir()
		file := filepath.Join(dir, "order.pdf")
		if err := os.WriteFile(file, pdf, 0o644); err != nil {
			t.Fatal(err)
		}
		text := poppler(t, "pdftotext", "-layout", file, "-")
		at := -1
		for _, want := range []string{"Safety first", "Evidence", "Checks", "What proves it"} { // in this order
			i := strings.Index(strings.ToLower(text), strings.ToLower(want))
			if i < 0 || i < at {
				t.Errorf("%s: %q stands at %d, what comes before it at %d", alertID, want, i, at)
			}
			at = max(at, i)
		}
		for _, want := range []string{id, "limit:", "Defer to the vehicle maker", "Do not clear", "Odometer", "Technician"} {
			if !strings.Contains(strings.ToLower(strings.Join(strings.Fields(text), " ")), strings.ToLower(want)) {
				t.Errorf("%s: the sheet does not say %q", alertID, want)
			}
		}
		if t.Failed() {
			t.Log(text)
		}
		sheets := 0
		for line := range strings.Lines(poppler(t, "pdfinfo", file)) {
			if n, is := strings.CutPrefix(line, "Pages:"); is {
				sheets, _ = strconv.Atoi(strings.TrimSpace(n))
			}
		}
		if sheets < 1 || sheets > 2 {
			t.Errorf("%s: %d sheets", alertID, sheets)
		}
		poppler(t, "pdftoppm", "-png", "-r", "72", file, filepath.Join(dir, "sheet"))
		pictures, err := filepath.Glob(filepath.Join(dir, "sheet*.png"))
		if err != nil || len(pictures) != sheets {
			t.Fatalf("%s: %d pictures of %d sheets, %v", alertID, len(pictures), sheets, err)
		}
		for _, name := range pictures {
			f, err := os.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			img, _, err := image.Decode(f)
			f.Close()
			if err != nil {
				t.Fatal(err)
			}
			dark, coloured := 0, 0
			for y := range img.Bounds().Dy() {
				for x := range img.Bounds().Dx() {
					r, g, b, _ := img.At(x, y).RGBA()
					if max(r, g, b)-min(r, g, b) > 0x0800 {
						coloured++
					}
					if r < 0x8000 {
						dark++
					}
				}
			}
			if coloured > 0 || dark < 2000 {
				t.Errorf("%s: %s has %d coloured and %d dark points", alertID, filepath.Base(name), coloured, dark)
			}
		}
	}
}
