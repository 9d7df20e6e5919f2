package main

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/spf13/cobra"

	"marginline/ingest/fleetsim"
)

func simulateCommand() *cobra.Command {
	var out, roster, truth, end, scenario string
	var cfg fleetsim.Config
	cmd := &cobra.Command{
		Use:   "simulate -o FILE [--roster FILE] [--truth FILE]",
		Short: "invent a fleet's reports",
		Long: `Invents a fleet and writes its reports (one JSON object a line; .gz and .zst are packed), its roster, and
the truth: which fault began when, when it crosses its limit and when its code appears. The same seed
and end give the same bytes.`,
		Example: `  marginline simulate -o reports.ndjson.gz --roster roster.csv --truth truth.json --units 48 --days 182 --seed 7`,
		Args:    cobra.NoArgs,
	}
	f := cmd.Flags()
	f.StringVarP(&out, "output", "o", "", "file for the reports; - for standard output")
	f.StringVar(&roster, "roster", "", "file for the roster (CSV)")
	f.StringVar(&truth, "truth", "", "file for the truth (JSON)")
	f.IntVar(&cfg.Units, "units", 48, "vehicles")
	f.IntVar(&cfg.Days, "days", 182, "days of history")
	f.Uint64Var(&cfg.Seed, "seed", 1, "seed")
	f.StringVar(&end, "end", "2026-06-01T00:00:00Z", "last instant of the history")
	f.StringVar(&scenario, "scenario", "", "empty for a random fleet, hard for one that is hard to watch, demo for the scripted one")
	f.BoolVar(&cfg.Delivery, "delivery-faults", false, "duplicates, late and shuffled reports, outages")
	cmd.MarkFlagRequired("output")
	cmd.RunE = works(func(cmd *cobra.Command, _ []string) error {
		t, err := parseTime(end)
		if err != nil {
			return &misuse{fmt.Errorf("--end: %w", err)}
		}
		if cfg.Units < 1 || cfg.Days < 1 {
			return &misuse{errors.New("--units and --days must be at least 1")}
		}
		cfg.End, cfg.Scenario = t.UTC().Truncate(time.Microsecond), scenario
		fl, err := fleetsim.New(cfg)
		if err != nil {
			return &misuse{err}
		}
		n := 0
		write := func(path string, do func(io.Writer) error) error {
			if path == "" {
				return nil
			}
			if path == "-" {
				return do(cmd.OutOrStdout())
			}
			return writeFile(path, do)
		}
		err = errors.Join(
			write(out, func(w io.Writer) error { return fl.WriteReports(w, func(k int) { n = k }) }),
			write(roster, fl.WriteRoster),
			write(truth, fl.WriteTruth),
		)
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%d reports of %d units over %d days, %d faults\n", n, cfg.Units, cfg.Days, len(fl.Truth()))
		return nil
	})
	return cmd
}

// writeFile writes a file through do, packed when its name says so.
func writeFile(path string, do func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	var w io.WriteCloser = f
	switch {
	case strings.HasSuffix(path, ".gz"):
		w = gzip.NewWriter(f)
	case strings.HasSuffix(path, ".zst"):
		z, err := zstd.NewWriter(f)
		if err != nil {
			f.Close()
			return err
		}
		w = z
	}
	err = do(w)
	if w != f {
		err = errors.Join(err, w.Close())
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
