package sql_test

import (
	"testing"

	"marginline/sql"
)

func TestCutAsOf(t *testing.T) {
	for _, test := range []struct{ query, rest, as string }{
		{"select 1", "select 1", ""},
		{"AS OF '2026-03-01' select 1", "                   select 1", "2026-03-01T00:00:00Z"},
		{"as of '2026-03-01T06:00:00+01:00'\nselect 1", "                                 \nselect 1", "2026-03-01T05:00:00Z"},
		{"-- x\nas of snapshot 17 select 1", "    \n                  select 1", "snapshot 17"},
		{"as of timestamp '2026-03-01 06:00' from units", "                                   from units", "2026-03-01T06:00:00Z"},
		{"select 'as of 1 ' as of", "select 'as of 1 ' as of", ""},
	} {
		rest, as, err := sql.CutAsOf(test.query)
		got := ""
		if !as.IsZero() {
			got = as.String()
		}
		if err != nil || rest != test.rest || got != test.as {
			t.Errorf("%q: %q as of %q, %v", test.query, rest, got, err)
		}
	}
	for _, bad := range []string{"as of 'yesterday' select 1", "as of '' select 1"} {
		if _, _, err := sql.CutAsOf(bad); err == nil {
			t.Errorf("%q: no error", bad)
		}
	}
}
