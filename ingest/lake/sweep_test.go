package lake

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// later makes the lake's clock run ahead, so that files are no longer young.
func later(l *Lake, d time.Duration) {
	l.now = func() time.Time { return time.Now().Add(d) }
}

func sweepNow(t *testing.T, l *Lake, grace time.Duration) Swept {
	t.Helper()
	done, err := l.Sweep(t.Context(), grace)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

func dataFiles(t *testing.T, l *Lake) (n int) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(l.dir, "*", "data", "*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	return len(files)
}

func live(l *Lake) (n int) {
	for _, s := range l.Stats() {
		n += s.Files
	}
	return n
}

func TestReplacedFilesGoInTwoSteps(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	all, _ := history(t, l, 12)
	fold(t, l, all[:20])
	fold(t, l, all[20:])
	compact(t, l, true)
	later(l, time.Hour)
	before := dataFiles(t, l)
	if done := sweepNow(t, l, 0); done.Files != 0 || done.Waiting != 0 {
		t.Errorf("%+v: the snapshots before the compaction are still there", done)
	}
	n, err := l.Expire(t.Context(), 1, 2*time.Hour)
	if err != nil || n != 0 {
		t.Errorf("%d snapshots younger than the limit dropped (%v)", n, err)
	}
	if n, err = l.Expire(t.Context(), 1, 0); err != nil || n == 0 {
		t.Fatalf("%d snapshots dropped (%v)", n, err)
	}
	for _, tb := range l.tables {
		if len(tb.tip.Snapshots) != 1 {
			t.Errorf("table %s keeps %d snapshots", tb.name, len(tb.tip.Snapshots))
		}
	}
	done := sweepNow(t, l, 30*time.Minute)
	if done.Files != 0 || done.Waiting == 0 || dataFiles(t, l) != before {
		t.Errorf("first look: %+v, %d files of %d", done, dataFiles(t, l), before)
	}
	later(l, 80*time.Minute)
	if done = sweepNow(t, l, 30*time.Minute); done.Files != 0 {
		t.Errorf("within the grace period: %+v", done)
	}
	later(l, 91*time.Minute)
	if done = sweepNow(t, l, 30*time.Minute); done.Files == 0 || done.Waiting != 0 || dataFiles(t, l) != live(l) {
		t.Errorf("after it: %+v, %d data files for %d", done, dataFiles(t, l), live(l))
	}
	intact(t, l, all)
	intact(t, open(t, l.dir), all)
	// What is left of the metadata is what the newest version leads to, and the versions in its log.
	for _, tb := range l.tables {
		for pattern, want := range map[string]int{"snap-*.avro": 1, "*-m?.avro": 1} {
			if files, _ := filepath.Glob(filepath.Join(tb.metadataDir(), pattern)); len(files) != want {
				t.Errorf("table %s: %d files %s, want %d", tb.name, len(files), pattern, want)
			}
		}
	}
}

func TestSweepSparesWhatIsPinned(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	all, _ := history(t, l, 9)
	fold(t, l, all[:20])
	fold(t, l, all[20:])
	own, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	other, err := openView(t.Context(), l.dir, "test") // as another process would
	if err != nil {
		t.Fatal(err)
	}
	compact(t, l, true)
	if _, err := l.Expire(t.Context(), 1, 0); err != nil {
		t.Fatal(err)
	}
	for _, tb := range l.tables {
		if s := tb.tip.Snapshots; len(s) != 2 || s[0].ID != own.set.heads[tb.index()].snapshot {
			t.Errorf("table %s: a pinned snapshot was dropped, or another was not: %d left", tb.name, len(s))
		}
	}
	readable := func(what string, s *set) {
		t.Helper()
		for _, h := range s.heads {
			for _, f := range h.files {
				if !exists(f.path) {
					t.Fatalf("%s: %s is gone", what, f.path)
				}
			}
		}
	}
	twice := func() (n int) {
		for range 2 {
			n += sweepNow(t, l, 0).Files
		}
		return n
	}
	renewed := func() { // the holder's clock runs with ours
		for _, f := range pinFiles(t, l.dir) {
			rewrite(t, f, func(p *pinFile) { p.Until = l.now().Add(lease) })
		}
	}
	later(l, time.Hour)
	renewed()
	twice()
	readable("pinned by this process", own.set)
	own.Release()
	if _, err := l.Expire(t.Context(), 1, 0); err != nil {
		t.Fatal(err)
	}
	twice()
	readable("pinned by another process", other.set)
	if n := dataFiles(t, l); n <= live(l) {
		t.Fatal("nothing is held: the test proves nothing")
	}
	// The lease of a holder that is gone ends.
	later(l, 2*time.Hour)
	if twice() == 0 || dataFiles(t, l) != live(l) || len(pinFiles(t, l.dir)) != 0 {
		t.Errorf("%d data files for %d, pins %q", dataFiles(t, l), live(l), pinFiles(t, l.dir))
	}
	other.close()
	intact(t, l, all)
}

func pinFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(pinDir(dir), "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func rewrite(t *testing.T, path string, change func(*pinFile)) {
	t.Helper()
	var p pinFile
	b, err := os.ReadFile(path)
	if err = errors.Join(err, json.Unmarshal(b, &p)); err != nil {
		t.Fatal(err)
	}
	change(&p)
	b, err = json.Marshal(p)
	if err = errors.Join(err, os.WriteFile(path, b, 0o640)); err != nil {
		t.Fatal(err)
	}
}

func (t *table) index() int {
	for i := range specs {
		if specs[i].name == t.name {
			return i
		}
	}
	return -1
}

func TestSweepOfOrphans(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	all, seq := history(t, l, 3)
	orphan := filepath.Join(l.dir, "readings", "data", "0000.parquet")
	if err := os.WriteFile(orphan, []byte("left by a commit that failed"), 0o640); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if done := sweepNow(t, l, 0); done.Waiting+done.Files != 0 {
			t.Errorf("%+v: a young file may be a commit's", done)
		}
	}
	later(l, youngFile+time.Minute)
	if done := sweepNow(t, l, 0); done.Waiting != 1 || done.Files != 0 {
		t.Errorf("first look: %+v", done)
	}
	// Bookkeeping that is damaged only begins again; a clock that was set back harms nothing.
	if err := os.WriteFile(condemnedFile(l.dir), []byte("{"), 0o640); err != nil {
		t.Fatal(err)
	}
	if done := sweepNow(t, l, 0); done.Waiting != 1 || done.Files != 0 {
		t.Errorf("after the bookkeeping was lost: %+v", done)
	}
	if done := sweepNow(t, l, 0); done.Files != 1 || exists(orphan) {
		t.Errorf("second look: %+v", done)
	}
	// A manifest that cannot be read stops the sweep: it might name anything.
	if err := os.WriteFile(orphan, nil, 0o640); err != nil {
		t.Fatal(err)
	}
	later(l, 3*time.Hour)
	sweepNow(t, l, 0)
	manifests, err := filepath.Glob(filepath.Join(l.dir, "codes", "metadata", "*-m0.avro"))
	if err != nil || len(manifests) == 0 {
		t.Fatal(err)
	}
	b, err := os.ReadFile(manifests[0])
	if err = errors.Join(err, os.Remove(manifests[0])); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Sweep(t.Context(), 0); err == nil || !exists(orphan) {
		t.Errorf("swept without knowing everything (%v)", err)
	}
	if err := os.WriteFile(manifests[0], b, 0o640); err != nil {
		t.Fatal(err)
	}
	// So does a version that somebody else has published.
	foreign := versionFile(l.tables[codes].metadataDir(), l.tables[codes].version+1)
	if err := os.WriteFile(foreign, []byte("{}"), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Sweep(t.Context(), 0); err == nil || !exists(orphan) {
		t.Errorf("swept beside another writer (%v)", err)
	}
	if err := os.Remove(foreign); err != nil {
		t.Fatal(err)
	}
	sweepNow(t, l, 0)
	if exists(orphan) {
		t.Error("the orphan stays")
	}
	feed(l, batch(5000, 3), seq+1)
	commit(t, l, seq+3)
	intact(t, l, append(all, batch(5000, 3)...))
}

func TestAgeLimits(t *testing.T) {
	t.Parallel()
	day := 24 * time.Hour
	for _, c := range []struct {
		limits Limits
		want   string
	}{
		{Limits{}, ""},
		{Limits{Readings: minLimit, Codes: 800 * day}, ""},
		{Limits{Readings: minLimit, Codes: minLimit, Reports: 800 * day}, ""},
		{Limits{Readings: 548 * day}, "readings: 548 days are too short"},
		{Limits{Codes: 365 * day}, "49 CFR 396.3(c)"},
		{Limits{Readings: 900 * day, Codes: 600 * day, Reports: 800 * day}, "readings are kept longer than the reports"},
		{Limits{Reports: 800 * day}, "readings are kept longer"},
	} {
		if err := c.limits.Validate(); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.limits, err, c.want)
		}
	}

	l := open(t, t.TempDir())
	all, seq := history(t, l, 70) // 69 days
	compact(t, l, true)
	bytes := l.Stats()[readings].Bytes
	retain := func(now time.Time, limits Limits) Retained {
		t.Helper()
		l.now = func() time.Time { return now }
		done, err := l.Retain(t.Context(), limits)
		if err != nil {
			t.Fatal(err)
		}
		return done
	}
	april := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	if done := retain(april.Add(minLimit-time.Hour*24), Limits{Readings: minLimit}); done.Files != 0 {
		t.Errorf("%+v: the last of March is not old enough yet", done)
	}
	done := retain(april.Add(minLimit), Limits{Readings: minLimit})
	if done.Files == 0 || done.Bytes == 0 || l.Stats()[readings].Bytes+done.Bytes != bytes {
		t.Errorf("%+v: %d bytes are left of %d", done, l.Stats()[readings].Bytes, bytes)
	}
	for i, p := range all {
		if p.ReadAt.Before(april) {
			all[i] = aged([]*series.Poll{p})[0]
		}
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	verified(t, l.dir)
	if sum := l.tables[readings].tip.snapshot(l.tables[readings].head.snapshot).Summary; sum["operation"] != "delete" || sum["added-data-files"] != "0" {
		t.Errorf("summary %v", sum)
	}
	// Late readings of a month whose old ones are gone stay, and what is left is merged with nothing.
	for n := range uint64(4) {
		late := poll(7, int(n), 4)
		feed(l, []*series.Poll{late}, seq+n+1)
		commit(t, l, seq+n+1)
		all = append(all, late)
	}
	l.now = func() time.Time { return april.AddDate(0, 3, 0) } // the year is not over: a file holds a month
	compact(t, l, true)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	l = open(t, l.dir)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	verified(t, l.dir)

	// When the reports go too, the whole month is gone.
	done = retain(april.Add(minLimit), Limits{Readings: minLimit, Codes: minLimit, Reports: minLimit})
	var rest []*series.Poll
	for _, p := range all {
		if !p.ReadAt.Before(april) {
			rest = append(rest, p)
		}
	}
	if done.Files == 0 || len(rest) == 0 {
		t.Errorf("%+v, %d left", done, len(rest))
	}
	intact(t, l, rest)
}

func TestFloor(t *testing.T) {
	for text, want := range map[string]Floor{"0": {}, "2GiB": {Bytes: 2 << 30}, " 500 MB": {Bytes: 5e8}, "5%": {Percent: 5}, "0.5 TiB": {Bytes: 1 << 39}, "12B": {Bytes: 12}} {
		if got, err := ParseFloor(text); err != nil || got != want {
			t.Errorf("%q: %+v %v", text, got, err)
		}
	}
	for _, text := range []string{"", "2", "GiB", "-1GiB", "100%", "NaN%", "2 gib", "1e30TB"} {
		if got, err := ParseFloor(text); err == nil {
			t.Errorf("%q is taken as %+v", text, got)
		}
	}
	l := open(t, t.TempDir())
	history(t, l, 9)
	d := disk{free: 3 << 30, size: 40 << 30}
	l.disk = func(string) (disk, error) { return d, nil }
	for floor, ok := range map[Floor]bool{{}: true, {Bytes: 2 << 30}: true, {Bytes: 3 << 30}: false, {Percent: 5}: true, {Percent: 8}: false, {Bytes: 1, Percent: 8}: false} {
		l.SetFloor(floor)
		if err := l.Room(); errors.Is(err, ErrNoRoom) == ok || err != nil && ok {
			t.Errorf("%+v: %v", floor, err)
		}
	}
	l.SetFloor(Floor{Bytes: 3<<30 - 100}) // above the floor, but not by what a merge needs
	if _, err := l.Compact(t.Context(), true); !errors.Is(err, ErrNoRoom) || !strings.Contains(err.Error(), "wanted") {
		t.Errorf("compaction: %v", err)
	}
	if n := dataFiles(t, l); n != live(l) {
		t.Errorf("%d data files for %d", n, live(l))
	}
	later(l, time.Hour)
	sweepNow(t, l, 0) // frees space, so it runs
	l.disk = func(string) (disk, error) { return disk{}, errStop }
	if err := l.Room(); !errors.Is(err, errStop) {
		t.Errorf("a disk that does not answer: %v", err)
	}
	l.disk = diskOf
	l.SetFloor(Floor{})
	if err := l.Room(); err != nil {
		t.Errorf("the real disk: %v", err)
	}
}
