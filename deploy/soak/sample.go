package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// quantities are what a sample measures, in the order of sample.values.
var quantities = []quantity{
	{name: "resident memory", unit: "MiB", share: 0.10, least: 16},
	{name: "goroutines", unit: "", share: 0.05, least: 8},
	{name: "open files", unit: "", share: 0.10, least: 10},
	{name: "lake metadata", unit: "MiB", share: 0.10, least: 1, swept: true},
	{name: "lake metadata files", unit: "", share: 0.10, least: 50, swept: true},
	{name: "lake data files", unit: "", share: 0.10, least: 50, swept: true},
	{name: "processor", unit: "% of one", told: true},
}

// A quantity is one of the things that must stay flat, and what it may grow over the second half of a run: a share
// of its median, at least `least`.
type quantity struct {
	name, unit   string
	share, least float64
	swept        bool // falls only when the lake is swept
	told         bool // shown, not judged
}

// A sample is what the service used at one moment.
type sample struct {
	after   time.Duration
	values  []float64
	waiting float64 // reports in the log that are not committed
}

func (s *service) sample(ctx context.Context, after time.Duration) (sample, error) {
	m, err := s.metrics(ctx)
	if err != nil {
		return sample{}, err
	}
	proc := filepath.Join("/proc", strconv.Itoa(s.cmd.Process.Pid))
	memory, err := resident(filepath.Join(proc, "status"))
	if err != nil {
		return sample{}, err
	}
	open, err := os.ReadDir(filepath.Join(proc, "fd"))
	if err != nil {
		return sample{}, err
	}
	now, used := time.Now(), m["process_cpu_seconds_total"]
	processor := 100 * (used - s.used) / now.Sub(s.looked).Seconds()
	s.looked, s.used = now, used
	x := sample{after: after, values: []float64{memory, m["go_goroutines"], float64(len(open)), 0, 0, 0, processor}, waiting: m["marginline_pending_reports"]}
	err = filepath.WalkDir(filepath.Join(s.data, "lake"), func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) { // swept meanwhile
			return nil
		}
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		switch filepath.Base(filepath.Dir(path)) {
		case "metadata":
			x.values[4]++
			if info, err := d.Info(); err == nil {
				x.values[3] += float64(info.Size()) / (1 << 20)
			}
		case "data":
			x.values[5]++
		}
		return nil
	})
	return x, err
}

// metrics are the values that /metrics shows, summed over labels.
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
		head = append(head, strings.ReplaceAll(strings.TrimSpace(q.name+" "+q.unit), " ", "_"))
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
