package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"

	"marginline/ingest"
	"marginline/ingest/report"
)

// checked runs check report as a process of its own, with in as its standard input, and gives what it
// said and its exit code.
func checked(t *testing.T, in []byte, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	cmd := program(t, append([]string{"check", "report"}, args...)...)
	var out, errs bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(in), &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func reviewsOf(t *testing.T, out string) []ingest.Review {
	t.Helper()
	var list []ingest.Review
	dec := json.NewDecoder(strings.NewReader(out))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&list); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return list
}

func asProto(t *testing.T, text string) []byte {
	t.Helper()
	r, err := report.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func gzipped(t *testing.T, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func zstded(t *testing.T, b []byte) []byte {
	t.Helper()
	z, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	return z.EncodeAll(b, nil)
}

// One report is one report in whatever it comes: spread over lines, packed, in protobuf, by way of a pipe.
func TestCheckReport_Forms(t *testing.T) {
	wire := asProto(t, report1)
	for name, c := range map[string]struct {
		in   []byte
		form string
	}{
		"JSON over two lines": {[]byte(report1), "json"},
		"JSON in one line":    {[]byte(oneLine(report1)), "json"},
		"byte order mark":     {[]byte("\xEF\xBB\xBF" + report1), "json"},
		"gzip":                {gzipped(t, []byte(report1)), "json"},
		"zstd":                {zstded(t, []byte(report1)), "json"},
		"protobuf":            {wire, "protobuf"},
		"protobuf in gzip":    {gzipped(t, wire), "protobuf"},
	} {
		path := write(t, "r", string(c.in))
		for _, from := range []string{path, "-"} {
			out, errs, code := checked(t, c.in, "-o", "json", from)
			if code != exitOK {
				t.Fatalf("%s from %s: exit %d\n%s", name, from, code, errs)
			}
			list := reviewsOf(t, out)
			if len(list) != 1 {
				t.Fatalf("%s from %s: %d reports", name, from, len(list))
			}
			v := list[0]
			if v.Form != c.form || v.Line != 0 || v.ID != "r-1" || v.Device != "dgl-1" || v.VIN != "9ZZTEST74RA000123" || v.Bus != "can" || v.Messages != 2 || v.Tests != 1 || v.Followed != 1 || v.Refused != "" {
				t.Errorf("%s from %s: %+v", name, from, v)
			}
		}
	}
}

// One report that looks like lines: JSON with a message at the start of a line, protobuf whose data holds a
// line feed and a brace.
func TestCheckReport_LooksLikeLines(t *testing.T) {
	text := strings.ReplaceAll(report1, `{"from"`, "\n{\"from\"")
	wire := asProto(t, strings.Replace(report1, "41 2F 80", "41 0A 7B", 1))
	if !bytes.Contains(wire, []byte("\n{")) {
		t.Fatal("this is no such report")
	}
	for _, in := range [][]byte{[]byte(text), wire} {
		out, errs, code := checked(t, in, "-o", "json", "-")
		if list := reviewsOf(t, out); code != exitOK || len(list) != 1 || list[0].Messages != 2 || list[0].Refused != "" {
			t.Errorf("exit %d %s: %+v", code, errs, list)
		}
	}
}

func TestCheckReport_Table(t *testing.T) {
	out, errs, code := checked(t, nil, write(t, "r.json", report1))
	if code != exitOK || !strings.Contains(errs, "report r-1 of device dgl-1 (json, can, 2026-03-02T06:14:09Z): 2 messages, 0 of them for the quarantine; 1 tests, 1 of them followed") {
		t.Errorf("exit %d: %s", code, errs)
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if want := "REPORT TOPIC MESSAGE ECU TEST FINDING"; strings.Join(strings.Fields(lines[0]), " ") != want {
		t.Errorf("%q", lines[0])
	}
	list := reviewsOf(t, must(t, "check", "report", "-o", "json", write(t, "r.json", report1)))
	if n := len(list[0].Findings); n != len(lines)-1 || n < 5 {
		t.Errorf("%d findings, %d lines", n, len(lines)-1)
	}
	for i, f := range list[0].Findings {
		if i+1 < len(lines) && (!strings.HasPrefix(lines[i+1], "r-1 ") || !strings.Contains(lines[i+1], f.Says) || !strings.Contains(lines[i+1], string(f.Topic))) {
			t.Errorf("line %q does not tell %+v", lines[i+1], f)
		}
	}
	out, _, _ = checked(t, nil, "-o", "csv", write(t, "r.json", report1))
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil || len(rows) != len(lines) || strings.Join(rows[0], ",") != "report,topic,message,ecu,test,finding" {
		t.Errorf("%v: %v", err, rows)
	}
}

// Several lines are several reports; each says its line, the refused ones why, and none hides another.
func TestCheckReport_Lines(t *testing.T) {
	second := strings.ReplaceAll(report1, "r-1", "r-2")
	other := strings.ReplaceAll(report1, "02T06", "02T07")
	good := oneLine(report1) + "\n" + oneLine(second)
	bad := good + "garbage\n" + `{"id":"r-3","device":"dgl-1","bus":"can","messages":[]}` + "\n" + strings.Repeat("x", report.MaxBytes+2) + "\n" + oneLine(other) + oneLine(report1)
	for name, pack := range map[string]func([]byte) []byte{
		"plain": func(b []byte) []byte { return b },
		"gzip":  func(b []byte) []byte { return gzipped(t, b) },
		"zstd":  func(b []byte) []byte { return zstded(t, b) },
	} {
		out, errs, code := checked(t, pack([]byte(good)), "-o", "json", "-")
		if code != exitOK {
			t.Fatalf("%s: exit %d\n%s", name, code, errs)
		}
		if list := reviewsOf(t, out); len(list) != 2 || list[0].Line != 1 || list[1].Line != 3 || list[1].ID != "r-2" {
			t.Errorf("%s: %+v", name, list)
		}
		out, errs, code = checked(t, pack([]byte(bad)), "-o", "json", "-")
		if code != exitFailed || !strings.Contains(errs, "4 of 7 reports would be refused") {
			t.Errorf("%s: exit %d: %s", name, code, errs)
		}
		var got []string
		for _, v := range reviewsOf(t, out) {
			reason, words, _ := strings.Cut(v.Refused, ":")
			got = append(got, reason)
			if v.Line == 6 && words != fmt.Sprintf(" %d bytes: at most %d", report.MaxBytes+2, report.MaxBytes) {
				t.Errorf("%s: the long line is refused for something else: %s", name, v.Refused)
			}
		}
		if strings.Join(got, ",") != ",,unreadable,missing_field,unreadable,conflicting_content," {
			t.Errorf("%s: %q", name, got)
		}
	}
	// A file whose first line is garbage is a file of lines all the same.
	out, _, code := checked(t, []byte("garbage\n"+good), "-o", "json", "-")
	if list := reviewsOf(t, out); code != exitFailed || len(list) != 3 || list[0].Refused == "" || list[2].Refused != "" {
		t.Errorf("exit %d: %+v", code, list)
	}
	table, _, _ := checked(t, []byte(bad), "-")
	if !strings.Contains(table, "line 5") || !strings.Contains(table, `missing_field: field "time"`) {
		t.Error(table)
	}
}

func TestCheckReport_Fails(t *testing.T) {
	cut := gzipped(t, []byte(oneLine(report1)+strings.Repeat(" ", 2<<20)+"\n"+oneLine(report1)))
	for name, c := range map[string]struct {
		in   []byte
		args []string
		code int
		says string
	}{
		"no file":          {nil, []string{"/does/not/exist.json"}, exitFailed, "/does/not/exist.json"},
		"nothing":          {nil, []string{"-"}, exitFailed, "1 of 1 reports would be refused"},
		"garbage":          {[]byte("\x00\x01"), []string{"-"}, exitFailed, "1 of 1 reports would be refused"},
		"cut off":          {cut[:len(cut)-9], []string{"-"}, exitFailed, "unexpected EOF"},
		"no argument":      {nil, nil, exitUsage, "no argument was given"},
		"two arguments":    {nil, []string{"a", "b"}, exitUsage, `"a b"`},
		"no such form":     {[]byte(report1), []string{"-o", "xml", "-"}, exitUsage, "want table, json, csv or xlsx"},
		"no such option":   {[]byte(report1), []string{"--strict", "-"}, exitUsage, "strict"},
		"no catalogue":     {[]byte(report1), []string{"--catalogue", "/does/not/exist.csv", "-"}, exitFailed, "/does/not/exist.csv"},
		"broken catalogue": {[]byte(report1), []string{"--catalogue", write(t, "c.csv", "name\nx\n"), "-"}, exitFailed, "applies_to"},
	} {
		out, errs, code := checked(t, c.in, c.args...)
		if code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit %d, want %d; %q, want %q\n%s", name, code, c.code, errs, c.says, out)
		}
	}
	// What came before the break is told.
	out, _, _ := checked(t, cut[:len(cut)-9], "-o", "json", "-")
	if list := reviewsOf(t, out); len(list) == 0 || list[0].ID != "r-1" {
		t.Errorf("%+v", list)
	}
}

func TestCheckReport_Catalogue(t *testing.T) {
	in := []byte(`{"id":"o-1","device":"dgl-1","time":"2026-03-02T06:14:09Z","bus":"iso9141","messages":[{"from":"10","data":"46 05 01 00 00 00 00"}]}`)
	out, _, _ := checked(t, in, "-o", "json", "-")
	if f := reviewsOf(t, out)[0].Findings; f[len(f)-2].Name != "test $05, component $01" {
		t.Errorf("%+v", f)
	}
	out, errs, code := checked(t, in, "-o", "json", "--catalogue", write(t, "c.csv", "applies_to,test,component,name\n*,05,01,sensor switch time\n"), "-")
	if f := reviewsOf(t, out)[0].Findings; code != exitOK || f[len(f)-2].Name != "sensor switch time" {
		t.Errorf("exit %d %s: %+v", code, errs, f)
	}
}
