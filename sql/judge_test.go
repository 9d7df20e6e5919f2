package sql_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	stdsql "database/sql"

	"marginline/sql"
)

func TestJudge_Refuses(t *testing.T) {
	e, f := open(t), newFixture(t)
	dir := t.TempDir()
	secret := filepath.Join(dir, "secret.csv")
	if err := os.WriteFile(secret, []byte("word\nxyzzy\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f.add("readings", "select 'd1' as device")
	parquet := f.tables[0].Files[0].Path
	tests := []struct{ query, says string }{
		// files, by every function and syntax that reads one
		{"select * from read_csv('" + secret + "')", "read_csv is not allowed in FROM"},
		{"select * from READ_CSV_AUTO('" + secret + "')", "files cannot be read"},
		{"select * from read_text('" + secret + "')", "read_text"},
		{"select * from read_blob('" + secret + "')", "read_blob"},
		{"select * from read_json('" + secret + "')", "read_json"},
		{"select * from read_ndjson_objects('" + secret + "')", "read_ndjson_objects"},
		{"select * from read_parquet('" + parquet + "')", "read_parquet"},
		{"select * from parquet_scan('" + parquet + "')", "parquet_scan"},
		{"select * from parquet_metadata('" + parquet + "')", "parquet_metadata"},
		{"select * from parquet_kv_metadata('" + parquet + "')", "parquet_kv_metadata"},
		{"select * from sniff_csv('" + secret + "')", "sniff_csv"},
		{"select * from glob('/*')", "glob"},
		{"select * from '" + parquet + "'", "looks like a file"},
		{"select * from \"" + secret + "\"", "looks like a file"},
		{"from '" + secret + "'", "looks like a file"},
		{"select (select count(*) from '" + secret + "')", "looks like a file"},
		{"select * from readings where exists (from '" + secret + "')", "looks like a file"},
		{"with a as (from '" + secret + "') select 1 from a", "looks like a file"},
		{"with a as materialized (from '" + secret + "') select 1 from a", "looks like a file"},
		{"with recursive a as (from '" + secret + "' union all select * from a) select 1 from a", "looks like a file"},
		{"select 1 union all (select 2 from '" + secret + "')", "looks like a file"},
		{"select 1 order by (select 1 from '" + secret + "')", "looks like a file"},
		{"select 1 limit (select 1 from '" + secret + "')", "looks like a file"},
		{"select * from readings join '" + secret + "' on true", "looks like a file"},
		{"select * from readings, lateral (select * from '" + secret + "')", "looks like a file"},
		{"values ((select 1 from '" + secret + "'))", "looks like a file"},
		{"select case when true then (select 1 from '" + secret + "') end", "looks like a file"},
		{"select sum(1) over (order by (select 1 from '" + secret + "'))", "looks like a file"},
		{"select count(*) filter (exists (from '" + secret + "'))", "looks like a file"},
		{"select list_transform([1], x -> (select 1 from '" + secret + "'))", "looks like a file"},
		{"select * replace ((select 1 from '" + secret + "') as unit) from readings", "looks like a file"},
		{"select * from '" + secret + "' pivot (count(*) for word in ('a'))", "looks like a file"},
		{"select * from readings pivot (count(*) for state in (select word from '" + secret + "'))", ""},
		{"describe '" + secret + "'", "syntax error"},
		{"describe \"" + secret + "\"", "looks like a file"},
		{"summarize '" + secret + "'", ""},
		{"summarize \"" + secret + "\"", "looks like a file"},
		{"describe select * from '" + secret + "'", "looks like a file"},
		{"explain select * from '" + secret + "'", "looks like a file"},
		{"explain analyze select * from '" + secret + "'", "looks like a file"},
		{"-- a comment\nexplain analyze select * from read_text('" + secret + "')", "read_text"},
		// a WITH name must not open the way to a file or to the catalogue
		{`with "` + secret + `" as (select 1) select * from "` + secret + `"`, "is not a name"},
		{"select * from (with duckdb_tables as (select 1) select 1 from duckdb_tables) x, duckdb_tables", "no view"},
		{"with duckdb_tables as (select * from duckdb_tables) select * from duckdb_tables", "no view"},
		{"with recursive duckdb_views as (select * from duckdb_views union all select * from duckdb_views) select * from duckdb_views", "no view"},
		// the catalogue and the settings
		{"select * from duckdb_settings()", "not allowed in FROM"},
		{"select * from duckdb_tables", "no view"},
		{"select * from information_schema.tables", "names with a schema"},
		{"select * from main.readings", "names with a schema"},
		{"select * from sqlite_master", "no view"},
		{"select * from pg_catalog.pg_settings", "names with a schema"},
		{"select * from small_units", "no view"},
		{"select current_setting('memory_limit')", "current_setting is not allowed"},
		{"select getenv('HOME')", "getenv is not allowed"},
		{"select getvariable('a')", "not allowed"},
		{"select main.getvariable('a')", "not allowed"},
		{"select system.main.version()", "not allowed"},
		{"select nextval('s')", "not allowed"},
		{"select * from pragma_version()", "not allowed in FROM"},
		{"pragma version", "PRAGMA is not allowed"},
		{"pragma database_list", "PRAGMA is not allowed"},
		{"call pragma_version()", "CALL is not allowed"},
		{"show databases", "no view"},
		{"show variables", "no view"},
		// SQL in SQL
		{"select * from query('select 1')", "query is not allowed in FROM"},
		{"select * from query_table('readings')", "query_table is not allowed"},
		{"select * from json_execute_serialized_sql('{}')", "not allowed in FROM"},
		{"select json_serialize_sql('select 1')", "not allowed"},
		{"select * from arrow_scan(1, 2, 3)", "not allowed in FROM"},
		// writing and changing
		{"copy (select 1) to '" + dir + "/x.csv'", "COPY is not allowed"},
		{"copy readings from '" + secret + "'", "COPY is not allowed"},
		{"attach '" + dir + "/x.db'", "ATTACH is not allowed"},
		{"detach memory", "DETACH is not allowed"},
		{"install httpfs", "INSTALL is not allowed"},
		{"load httpfs", "LOAD is not allowed"},
		{"set memory_limit = '100GB'", "SET is not allowed"},
		{"reset memory_limit", "RESET is not allowed"},
		{"create table a as select 1", "CREATE is not allowed"},
		{"create macro f(x) as x", "CREATE is not allowed"},
		{"insert into readings values (1)", "INSERT is not allowed"},
		{"update readings set unit = 'x'", "UPDATE is not allowed"},
		{"delete from readings", "DELETE is not allowed"},
		{"drop view readings", "DROP is not allowed"},
		{"alter view readings rename to r", "ALTER is not allowed"},
		{"use memory", "USE is not allowed"},
		{"export database '" + dir + "'", "EXPORT is not allowed"},
		{"import database '" + dir + "'", "IMPORT is not allowed"},
		{"checkpoint", "CHECKPOINT is not allowed"},
		{"vacuum", "VACUUM is not allowed"},
		{"begin", "BEGIN is not allowed"},
		{"prepare a as select 1", "PREPARE is not allowed"},
		{"execute a", "EXECUTE is not allowed"},
		{"deallocate a", "DEALLOCATE is not allowed"},
		{"pivot readings on state", "PIVOT as a statement"},
		{"explain copy (select 1) to '" + dir + "/x.csv'", "COPY is not allowed"},
		// more than one
		{"select 1; select 2", "2 statements"},
		{"select 1; drop view readings", "not allowed"},
		{"select 1; copy (select 1) to '" + dir + "/x.csv'", "not allowed"},
		{"select 1) limit 1; copy (select 1) to '" + dir + "/x.csv'; (select 1", "syntax"},
		{"select ?", "the parameter 1 has no value"},
		// memory out of nothing
		{"select repeat('x', 2000000000)", "repeat is not allowed"},
		{"select rpad('x', 2000000000, 'y')", "rpad must be"},
		{"select lpad('x', 1000 * 1000, 'y')", "lpad must be"},
		{"select printf('%2000000000d', 1)", "printf must be"},
		{"select printf('%*d', 2000000000, 1)", "printf must be"},
		{"select format('{:2000000000}', 1)", "format must be"},
		{"select format('{:{}}', 1, 2000000000)", "format must be"},
		{"select range(2000000000)", "in FROM it is allowed"},
		{"select list_resize([1], 2000000000)", "not allowed"},
		// what is not there
		{"select * from reading", `there is no view "reading"`},
		{"", "empty"},
		{" ; ", "empty"},
		{"-- nothing", "empty"},
		{"select 1\x00", "zero byte"},
	}
	for _, test := range tests {
		r, err := e.Query(t.Context(), f, test.query)
		var refused *sql.Error
		switch {
		case err == nil:
			t.Errorf("%s\nwas answered: %v", test.query, r.Rows)
		case !errors.As(err, &refused):
			t.Errorf("%s\nis not the person's error: %v", test.query, err)
		case !strings.Contains(err.Error(), test.says):
			t.Errorf("%s\nsays %q, want %q in it", test.query, err, test.says)
		case strings.Contains(err.Error(), "xyzzy"):
			t.Errorf("%s\nthe message holds the file", test.query)
		case strings.Contains(err.Error(), "goroutine") || strings.Contains(err.Error(), "Stack"):
			t.Errorf("%s\nthe message holds a stack: %v", test.query, err)
		}
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("a query wrote a file: %v %v", left, err)
	}
	if got := rows(t, e, f, "select count(*) from readings"); got != "1\n" {
		t.Errorf("after all that: %s", got)
	}
}

func TestJudge_Allows(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.add("readings", `select 'd'||i as device, timestamp '2026-01-01' + interval (i) day as read_at, 'ok' as state,
		i / 10 as margin, 'm21.t8'||i as test from range(5) t(i)`)
	tests := []struct{ query, want string }{
		{"select 1", "1\n"},
		{"select 1;", "1\n"},
		{"select ';' as a, 1 ; -- done; really", ";,1\n"},
		{"/* a */ select /* b; */ 1 /* c; */ ; ;", "1\n"},
		{"values (1, 'a'), (2, 'b')", "1,a\n2,b\n"},
		{"from readings select count(*)", "5\n"},
		{"with a as (select margin from readings), b as (select max(margin) as m from a) select m from b", "0.4\n"},
		{"with recursive n as (select 1 as i union all select i + 1 from n where i < 4) select sum(i) from n", "10\n"},
		{"with a as materialized (select 1 as x) select x from a", "1\n"},
		{"with readings as (select 7 as x) select x from readings", "7\n"},
		{"select i from range(3) t(i) union all select 9 except select 1 order by 1 desc", "9\n2\n0\n"},
		{"select unnest([1, 2])", "1\n2\n"},
		{"select g::date from generate_series(timestamp '2026-01-01', timestamp '2026-01-02', interval 1 day) t(g)", "2026-01-01\n2026-01-02\n"},
		{"select device, row_number() over (order by margin desc) as place from readings qualify place = 1", "d4,1\n"},
		{"select count(*) filter (margin > 0.15) from readings", "3\n"},
		{"select list_transform([1, 2], x -> x * 2)", "\"[2,4]\"\n"},
		{"select [x for x in [1, 2, 3] if x > 1]", "\"[2,3]\"\n"},
		{"select * from (select device, state from readings) pivot (count(*) for state in ('ok', 'invalid')) order by 1 limit 1", "d0,1,0\n"},
		{"select date_trunc('month', read_at), count(*) from readings group by all", "2026-01-01,5\n"},
		{"select a.device from readings a join readings b on a.device = b.device where b.margin = 0.3", "d3\n"},
		{"select a.device from readings a asof join readings b on a.device = b.device and a.read_at >= b.read_at order by 1 limit 1", "d0\n"},
		{"select count(*) from readings using sample 100%", "5\n"},
		{"select name from (describe readings) t(name) limit 1", "read_at\n"},
		{"select lpad('7', 3, '0'), printf('%.2f', 1.005), format('{} of {}', 1, 2)", "007,1.00,1 of 2\n"},
		{"select rows from (values (1)) t(rows)", "1\n"},
		{"SELECT Device FROM Readings WHERE DEVICE = 'd1'", "d1\n"},
	}
	for _, test := range tests {
		if got := rows(t, e, f, test.query); got != test.want {
			t.Errorf("%s\n got %q\nwant %q", test.query, got, test.want)
		}
	}
	for _, query := range []string{"show tables", "summarize readings", "explain select * from readings", "EXPLAIN ANALYZE\nselect 1;"} {
		if got := rows(t, e, f, query); got == "" {
			t.Errorf("%s: no rows", query)
		}
	}
}

// Every function of this DuckDB is either allowed or refused on purpose.
func TestJudge_KnowsEveryFunction(t *testing.T) {
	db, err := stdsql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	words := func(file string) map[string]bool {
		b, err := os.ReadFile(filepath.Join("functions", file))
		if err != nil {
			t.Fatal(err)
		}
		set := map[string]bool{}
		for line := range strings.Lines(string(b)) {
			if !strings.HasPrefix(line, "# ") {
				for _, w := range strings.Fields(line) {
					set[strings.ToLower(w)] = true
				}
			}
		}
		return set
	}
	allow, deny := words("allow.txt"), words("deny.txt")
	rows, err := db.Query("select distinct lower(function_name) from duckdb_functions() where function_type in ('scalar', 'aggregate', 'macro')")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		if allow[name] == deny[name] {
			t.Errorf("function %s: allowed %v, refused %v: want one", name, allow[name], deny[name])
		}
		delete(deny, name)
	}
	for name := range deny {
		t.Errorf("function %s is refused by name and does not exist", name)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}
