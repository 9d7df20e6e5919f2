package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// quantities are what a sample measures, in the order of sample.values.
var quantities = []quantity{
	{name: "resident memory", unit: "MiB", share: 0.10, least: 16, of: func(x *sample) float64 { return x.memory }},
	{name: "goroutines", share: 0.05, least: 8, of: func(x *sample) float64 { return x.goroutines }},
	{name: "open files", share: 0.10, least: 10, of: func(x *sample) float64 { return x.open }},
	{name: "live data files", share: 0.10, least: 50, of: func(x *sample) float64 { return x.lake.live.files }},
	{name: "live groups that are not full", share: 0.10, least: 20, of: func(x *sample) float64 { return x.small }},
	{name: "live manifests", share: 0.10, least: 20, of: func(x *sample) float64 { return x.lake.manifests.files }},
	{name: "live manifests", unit: "KiB", share: 0.10, least: 128, of: func(x *sample) float64 { return x.lake.manifests.bytes / 1024 }},
	{name: "newest metadata.json", unit: "KiB", share: 0.10, least: 32, swept: true, of: func(x *sample) float64 { return x.lake.newest / 1024 }},
	{name: "metadata files a version", share: 0.10, swept: true, of: func(x *sample) float64 { return x.lake.metadata().files / x.recent }},
	{name: "metadata a version", unit: "KiB", share: 0.10, swept: true, of: func(x *sample) float64 { return x.lake.metadata().bytes / 1024 / x.recent }},
	{name: "data files not live, a version", share: 0.10, swept: true, of: func(x *sample) float64 { return (x.lake.data.files - x.lake.live.files) / x.recent }},

	{name: "live heap", unit: "MiB", told: true, of: func(x *sample) float64 { return x.heap }},
	{name: "all metadata files", told: true, of: func(x *sample) float64 { return x.lake.metadata().files }},
	{name: "all metadata", unit: "MiB", told: true, of: func(x *sample) float64 { return x.lake.metadata().bytes / (1 << 20) }},
	{name: "all data files", told: true, of: func(x *sample) float64 { return x.lake.data.files }},
	{name: "condemned files", told: true, of: func(x *sample) float64 { return x.lake.condemned.files + x.lake.condemnedData.files }},
	{name: "versions published lately", told: true, of: func(x *sample) float64 { return x.recent }},
	{name: "processor", unit: "% of one", told: true, of: func(x *sample) float64 { return x.processor }},
}

// A quantity is one of the things that must stay flat, and what it may grow over the second half of a run: a share
// of its median, at least `least`.
type quantity struct {
	name, unit   string
	share, least float64
	swept        bool // falls only when the lake is swept
	told         bool // shown, not judged
	of           func(*sample) float64
}

func (q *quantity) title() string { return strings.TrimSpace(q.name + " " + q.unit) }

// A sample is what the service used at one moment.
type sample struct {
	after  time.Duration
	values []float64 // by quantity

	memory, goroutines, open, processor float64
	heap                                float64 // what the last collection found alive
	waiting                             float64 // reports in the log that are not committed
	tables                              []stock // in the order of tables
	lake                                stock   // all of them
	small                               float64 // groups of data files that are not full
	recent                              float64 // versions published in the last window
}

func (s *service) sample(ctx context.Context, after time.Duration) (sample, error) {
	m, err := s.metrics(ctx)
	if err != nil {
		return sample{}, err
	}
	proc := filepath.Join("/proc", strconv.Itoa(s.cmd.Process.Pid))
	x := sample{after: after, goroutines: m["go_goroutines"], waiting: m["marginline_pending_reports"], small: m["marginline_lake_small_groups"]}
	if x.memory, err = resident(filepath.Join(proc, "status")); err != nil {
		return sample{}, err
	}
	// The next collection comes when what was alive has grown by GOGC percent (package runtime, "GOGC").
	x.heap = m["go_memstats_next_gc_bytes"] / (1 + m["go_gc_gogc_percent"]/100) / (1 << 20)
	open, err := os.ReadDir(filepath.Join(proc, "fd"))
	if err != nil {
		return sample{}, err
	}
	x.open = float64(len(open))
	now, used := time.Now(), m["process_cpu_seconds_total"]
	x.processor = 100 * (used - s.used) / now.Sub(s.looked).Seconds()
	s.looked, s.used = now, used
	if x.tables, err = stocks(filepath.Join(s.data, "lake"), m); err != nil {
		return sample{}, err
	}
	for _, t := range x.tables {
		x.lake.plus(t)
	}
	x.recent = s.published(after, x.lake.version)
	for _, q := range quantities {
		x.values = append(x.values, q.of(&x))
	}
	return x, nil
}

// published is how many versions of the tables were published in the last window, of all that there are: at least 1.
func (s *service) published(after time.Duration, version int) float64 {
	s.marks = append(s.marks, mark{after, version})
	for len(s.marks) > 1 && s.marks[1].after <= after-s.window {
		s.marks = s.marks[1:]
	}
	if after < s.window { // all of them
		return float64(version)
	}
	return float64(max(version-s.marks[0].version, 1))
}

// metrics are the values that /metrics shows, those with labels each by itself and summed.
func (s *service) metrics(ctx context.Context) (map[string]float64, error) {
	req, err := http.NewRequestWithContext(ctx, "GET", "http://"+s.web+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	r, err := s.http.Do(req)
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("/metrics answers %s", r.Status)
	}
	m := map[string]float64{}
	sc := bufio.NewScanner(r.Body)
	for sc.Scan() {
		name, rest, _ := strings.Cut(sc.Text(), " ")
		if name, _, labelled := strings.Cut(name, "{"); labelled {
			rest = sc.Text()[strings.LastIndexByte(sc.Text(), ' ')+1:]
			v, _ := strconv.ParseFloat(rest, 64)
			m[name] += v
			m[sc.Text()[:strings.LastIndexByte(sc.Text(), ' ')]] = v
			continue
		}
		if v, err := strconv.ParseFloat(rest, 64); err == nil {
			m[name] = v
		}
	}
	if _, ok := m["go_goroutines"]; !ok {
		return nil, errors.Join(errors.New("/metrics has no go_goroutines"), sc.Err())
	}
	return m, sc.Err()
}

// resident is VmRSS of a process's status file in MiB.
func resident(path string) (float64, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			return kib / 1024, err
		}
	}
	return 0, fmt.Errorf("%s has no VmRSS", path)
}

func writeSamples(path string, samples []sample) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	head := []string{"seconds"}
	for _, q := range quantities {
		head = append(head, strings.ReplaceAll(q.title(), " ", "_"))
	}
	w.Write(append(head, "waiting"))
	for _, x := range samples {
		row := []string{strconv.FormatFloat(x.after.Seconds(), 'f', 1, 64)}
		for _, v := range append(x.values, x.waiting) {
			row = append(row, strconv.FormatFloat(v, 'f', -1, 64))
		}
		w.Write(row)
	}
	w.Flush()
	return errors.Join(w.Error(), f.Close())
}
