package sql_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"

	"marginline/sql"
)

func ask(t *testing.T, query string) *sql.Result {
	t.Helper()
	r, err := open(t).Query(t.Context(), newFixture(t), query)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWriteJSON(t *testing.T) {
	for query, want := range map[string]string{
		"select 1 as a, null as b, 'x' as c":                                       `{"a":1,"b":null,"c":"x"}`,
		"select 2 as b, 1 as a, 3 as b, 4 as b":                                    `{"b":2,"a":1,"b_2":3,"b_3":4}`,
		"select timestamp '2026-03-02 06:14:09.25' as t":                           `{"t":"2026-03-02T06:14:09.25Z"}`,
		"select timestamptz '2026-03-02 06:14:09+00' as t":                         `{"t":"2026-03-02T06:14:09Z"}`,
		"select date '2026-03-02' as d, time '06:14:09' as t":                      `{"d":"2026-03-02","t":"06:14:09"}`,
		"select 170141183460469231731687303715884105727 as h":                      `{"h":170141183460469231731687303715884105727}`,
		"select sum(i) as h from range(5) t(i)":                                    `{"h":10}`,
		"select 12.345 as d, -0.05 as e, 7::decimal(4,0) as f":                     `{"d":12.345,"e":-0.05,"f":7}`,
		"select 0.1::double as d, 1e300 as e, 1.1::float as f":                     `{"d":0.1,"e":1e+300,"f":1.1}`,
		"select 'nan'::double as n, '-inf'::double as i, 'inf'::float as f":        `{"n":null,"i":null,"f":null}`,
		"select 'infinity'::timestamp as t":                                        `{"t":null}`,
		"select 18446744073709551615::ubigint as u, (-128)::tinyint as t":          `{"u":18446744073709551615,"t":-128}`,
		"select true as t, false as f":                                             `{"t":true,"f":false}`,
		"select [1, null, 3] as l, [['a'], []] as n":                               `{"l":[1,null,3],"n":[["a"],[]]}`,
		"select {a: 1, b: [timestamp '2026-03-02', null]} as s":                    `{"s":{"a":1,"b":["2026-03-02T00:00:00Z",null]}}`,
		"select ['nan'::double, 1.5] as l, [1.5] as d":                             `{"l":[null,1.5],"d":[1.5]}`,
		"select map {'k': 1.25::double} as m, map {1: 'x'} as n":                   `{"m":{"k":1.25},"n":{"1":"x"}}`,
		"select [date '2026-03-02'] as d":                                          `{"d":["2026-03-02"]}`,
		"select interval '1 month 3 days 4 hours' as i":                            `{"i":"1 months 3 days 04:00:00"}`,
		"select 'ab'::blob as b, uuid '11111111-2222-3333-4444-555555555555' as u": `{"b":"6162","u":"11111111-2222-3333-4444-555555555555"}`,
		"select '<a href=\"x\">&\n' as s":                                          `{"s":"<a href=\"x\">&\n"}`,
		"select 'b'::enum('a', 'b') as e":                                          `{"e":"b"}`,
		"select '{\"z\": [1, 2.5]}'::json as j":                                    `{"j":{"z":[1,2.5]}}`,
	} {
		var b bytes.Buffer
		if err := ask(t, query).WriteJSON(&b); err != nil {
			t.Errorf("%s: %v", query, err)
		}
		if !json.Valid(b.Bytes()) {
			t.Errorf("%s: not JSON: %s", query, b.String())
		}
		if got := b.String(); got != "[\n"+want+"\n]\n" {
			t.Errorf("%s\n got %s\nwant %s", query, got, want)
		}
	}
	var b bytes.Buffer
	if err := ask(t, "select 1 as a limit 0").WriteJSON(&b); err != nil || b.String() != "[]\n" {
		t.Errorf("no rows: %q %v", b.String(), err)
	}
}

// RFC 4180, section 2: records end in CRLF, fields with commas, quotes and line ends are quoted.
func TestWriteCSV(t *testing.T) {
	for query, want := range map[string]string{
		`select 1 as a, null as b, 'x,y' as c, 'q"q' as d`:      "a,b,c,d\r\n1,,\"x,y\",\"q\"\"q\"\r\n",
		"select '=1+1' as a, '+1' as b, '-1' as c, '@x' as d":   "a,b,c,d\r\n'=1+1,'+1,'-1,'@x\r\n",
		"select chr(9) || 'x' as a, -1 as b, -0.5::double as c": "a,b,c\r\n'\tx,-1,-0.5\r\n",
		"select -12.50 as d, ['=x'] as l":                       "d,l\r\n-12.50,\"[\"\"=x\"\"]\"\r\n",
		`select 1 as "=cmd()"`:                                  "'=cmd()\r\n1\r\n",
		"select null as a union all select 1":                   "a\r\n\"\"\r\n1\r\n",
	} {
		var b bytes.Buffer
		if err := ask(t, query).WriteCSV(&b); err != nil {
			t.Errorf("%s: %v", query, err)
		}
		if got := b.String(); got != want {
			t.Errorf("%s\n got %q\nwant %q", query, got, want)
		}
		if _, err := csv.NewReader(&b).ReadAll(); err != nil {
			t.Errorf("%s: a reader says %v", query, err)
		}
	}
}

func TestWriteCSV_Numbers(t *testing.T) {
	var b bytes.Buffer
	err := ask(t, "select 1234567.8::double, 0::double, 1e300, 'nan'::double, -0.000001::double, 1.1::float, 12345678::float, '-inf'::double").WriteCSV(&b)
	if err != nil {
		t.Fatal(err)
	}
	if _, got, _ := strings.Cut(b.String(), "\r\n"); got != "1234567.8,0,1e+300,NaN,-0.000001,1.1,12345678,-Inf\r\n" {
		t.Error(got)
	}
}

func TestWriteTable(t *testing.T) {
	var b bytes.Buffer
	if err := ask(t, "select * from (values ('é', 1.5::double, 10), ('long name', null, 2000)) t(unit, margin, n)").WriteTable(&b); err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		"unit       margin     n",
		"---------  ------  ----",
		"é             1.5    10",
		"long name          2000",
		"",
	}, "\n")
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	b.Reset()
	if err := ask(t, "select 'a' || chr(10) || 'b' || chr(27) as x").WriteTable(&b); err != nil || !strings.HasSuffix(b.String(), "\na b?\n") {
		t.Errorf("%q %v", b.String(), err)
	}
}

func TestStream(t *testing.T) {
	e := open(t, func(c *sql.Config) { c.MaxRows, c.MaxStream = 2, 5000 })
	var b bytes.Buffer
	to := sql.NewJSON(&b)
	sum, err := e.Stream(t.Context(), newFixture(t), "select i from range(10000) t(i)", to)
	if err != nil {
		t.Fatal(err)
	}
	if err := to.Close(); err != nil {
		t.Fatal(err)
	}
	var got []struct{ I int }
	if err := json.Unmarshal(b.Bytes(), &got); err != nil || len(got) != 5000 || got[4999].I != 4999 || !sum.Truncated {
		t.Errorf("%d rows, truncated %v, %v", len(got), sum.Truncated, err)
	}
}

// Times of the jump to daylight saving time: 2026-03-08 02:00 in the United States (Energy Policy Act of
// 2005, section 110), 2026-03-29 01:00 UTC in the European Union (Directive 2000/84/EC).
func TestLocalTime(t *testing.T) {
	for query, want := range map[string]string{
		"select local_time(timestamp '2026-03-08 07:59:59', 'America/Chicago')::varchar":      "2026-03-08 01:59:59",
		"select local_time(timestamp '2026-03-08 08:00:00', 'America/Chicago')::varchar":      "2026-03-08 03:00:00",
		"select local_time(timestamp '2026-03-29 00:59:59', 'Europe/Berlin')::varchar":        "2026-03-29 01:59:59",
		"select local_time(timestamp '2026-03-29 01:00:00.000001', 'Europe/Berlin')::varchar": "2026-03-29 03:00:00.000001",
		"select local_time(timestamp '1960-01-01', 'UTC')::varchar":                           "1960-01-01 00:00:00",
		"select local_time(date '2026-07-01', 'Asia/Kolkata')::varchar":                       "2026-07-01 05:30:00",
		"select coalesce(local_time(null, 'UTC')::varchar, 'none')":                           "none",
		"select coalesce(local_time(timestamp '2026-01-01', null)::varchar, 'none')":          "none",
	} {
		r := ask(t, query)
		if got := r.Rows[0][0]; got != want {
			t.Errorf("%s: got %v, want %s", query, got, want)
		}
	}
	_, err := open(t).Query(t.Context(), newFixture(t), "select local_time(timestamp '2026-01-01', 'Mars/Olympus')")
	if err == nil || !strings.Contains(err.Error(), "is not a time zone") || !strings.Contains(err.Error(), "Mars/Olympus") {
		t.Errorf("an unknown zone: %v", err)
	}
}
