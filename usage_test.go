package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestWrongArgumentsNameTheCommand(t *testing.T) {
	for _, c := range []struct{ args, says string }{
		{"orders show", "no argument was given; the command is: marginline orders show ID"},
		{"orders list a b", `these arguments were given: "a b"; the command is: marginline orders list`},
		{"people role odalys", "the command is: marginline people role NAME ROLE"},
		{"shop import", "the command is: marginline shop import FILE..."},
		{"simulate", "See 'marginline simulate --help'."},
		{"bogus", "See 'marginline --help'."},
	} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), strings.Fields(c.args), strings.NewReader(""), &out, &errs); code != exitUsage || out.Len() > 0 || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%s: exit %d, %q and %q, want %q", c.args, code, out.String(), errs.String(), c.says)
		}
	}
}

func TestMistypedFolderIsNotEmptyHistory(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "typo")
	backup := filepath.Join(t.TempDir(), "kept")
	for _, args := range [][]string{
		{"alerts", "list"}, {"orders", "list"}, {"sql", "select 1"}, {"backup", "--to", backup}, {"lake", "compact"},
		{"people", "list"}, {"enroll", "list"}, {"series", "show", "1001"}, {"quarantine", "list"}, {"backtest"}, {"shop", "list"},
	} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), append(args, "--data", dir), strings.NewReader(""), &out, &errs); code != exitFailed || out.Len() > 0 || !strings.Contains(errs.String(), dir+" holds nothing of marginline") {
			t.Errorf("%v: exit %d, %q and %q", args, code, out.String(), errs.String())
		}
	}
	for _, path := range []string{dir, backup} {
		if _, err := os.Stat(path); err == nil {
			t.Errorf("%s was made", path)
		}
	}
	var out, errs bytes.Buffer
	args := []string{"people", "add", "odalys", "--role", "administrator", "--data", dir}
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errs); code != exitOK {
		t.Fatalf("%v may begin a folder: exit %d, %s", args, code, errs.String())
	}
	out.Reset()
	if code := run(t.Context(), []string{"orders", "list", "--data", dir}, strings.NewReader(""), &out, &errs); code != exitOK || !strings.HasPrefix(out.String(), "ID") {
		t.Errorf("after it began: exit %d, %s", code, errs.String())
	}
}

// What is typed reaches the service as it was typed, and what is handed out says when it begins to work.
func TestTypedNamesAndFirstKeys(t *testing.T) {
	data := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"enroll", "bad name/%41"}, exitFailed, `"bad name/%41"`},
		{[]string{"people", "add", "odalys", "--role", "administrator"}, exitOK, "shown this once"},
		{[]string{"people", "disable", "no such%"}, exitFailed, `"no such%"`},
		{[]string{"people", "key", "odalys", "--label", "scraper", "--role", "viewer"}, exitOK, "opens nothing until odalys has signed in"},
		{[]string{"people", "key", "odalys", "--label", "scraper", "--role", "administrator"}, exitFailed, "role administrator is not one for a key"},
	} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), append(c.args, "--data", data), strings.NewReader(""), &out, &errs); code != c.code || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%q: exit %d, %q, want %q", c.args, code, errs.String(), c.says)
		}
	}
}
