package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"marginline/ingest/fleetsim"
)

// demoMark is the file that says a data folder holds nothing but the demo, so that a new demo may replace it.
const demoMark = "demo"

// demoShop is the shop file of the invented depots.
//
//go:embed testdata/demo/shop.yaml
var demoShop string

func demoCommand() *cobra.Command {
	var seed uint64
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "everything in one process on an invented fleet",
		Long: `Invents a fleet, takes 26 weeks of its history through the whole pipeline, and serves the pages while live
reports keep arriving. Everything is in this one process, and every vehicle, name and number is invented.
The data folder is made anew each time; a folder that holds anything but a demo is refused.`,
		Example: "  marginline demo",
		Args:    cobra.NoArgs,
	}
	dataFlag(cmd)
	serviceFlags(cmd)
	cmd.Flags().Uint64Var(&seed, "seed", 1, "seed of the invented fleet")
	cmd.RunE = works(func(cmd *cobra.Command, _ []string) error {
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		if !cmd.Flags().Changed("log-level") && os.Getenv(envPrefix+"LOG_LEVEL") == "" {
			cfg.Log.Level = "warn"
		}
		if err := clearDemo(cfg.Data); err != nil {
			return err
		}
		return runDemo(cmd.Context(), cfg, seed, cmd.OutOrStdout(), cmd.ErrOrStderr())
	})
	return cmd
}

// clearDemo empties the folder of an earlier demo and marks the folder as a demo's. It refuses a folder
// that holds anything else, and one that a running process owns.
func clearDemo(dir string) error {
	lock, err := lockData(dir)
	if err != nil {
		return err
	}
	defer lock.Close()
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	mark := filepath.Join(dir, demoMark)
	if _, err := os.Stat(mark); errors.Is(err, os.ErrNotExist) && len(entries) > 1 { // the lock is one
		return fmt.Errorf("%s holds data that is not a demo's: nothing was touched; choose another folder with --data", dir)
	}
	for _, e := range entries {
		if e.Name() == "lock" || e.Name() == demoMark {
			continue
		}
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return err
		}
	}
	return os.WriteFile(mark, []byte("This folder holds an invented fleet. 'marginline demo' replaces it.\n"), 0o640)
}

func runDemo(ctx context.Context, cfg config, seed uint64, stdout, stderr io.Writer) error {
	start := time.Now()
	fl, err := fleetsim.New(fleetsim.Config{Scenario: "demo", Seed: seed, Units: 48, Days: 182, End: start.UTC().Truncate(time.Second), Delivery: true, Repairs: true})
	if err != nil {
		return err
	}
	log := cfg.logger(stderr)
	return serve(ctx, cfg, log, func(ctx context.Context, a *app, addr string) error {
		roster, err := fl.Roster()
		if err != nil {
			return err
		}
		if err := a.setRoster(ctx, roster); err != nil {
			return err
		}
		if _, err := a.floor.Install(ctx, demoShop, "demo"); err != nil {
			return fmt.Errorf("demo shop file: %w", err)
		}
		if err := a.demoHistory(ctx, fl, stderr); err != nil {
			return fmt.Errorf("demo history: %w", err)
		}
		open, err := a.book.List(ctx, false)
		if err != nil {
			return err
		}
		fmt.Fprintf(stderr, "ready after %.0f s: %d open alerts on %d invented units\n", time.Since(start).Seconds(), len(open), len(roster.Units()))
		fmt.Fprintf(stdout, "open %s\n", addr)
		fmt.Fprintf(stderr, "history in SQL: ./marginline sql --data %s \"select unit, test, min(margin) from readings where state = 'ok' group by all order by 3 limit 10\"\nCtrl-C ends the demo.\n", cfg.Data)
		a.tasks.Go(func() error { return a.demoLive(ctx, fl, log) })
		return nil
	})
}

// demoHistory takes the invented history through the broker and the pipeline, as an import does.
func (a *app) demoHistory(ctx context.Context, fl *fleetsim.Fleet, stderr io.Writer) error {
	bar := newProgress(stderr, "history", int64(fl.Count()))
	done := a.watch.importing()
	defer done()
	r, w := io.Pipe()
	go func() { w.CloseWithError(fl.WriteReports(w, nil)) }()
	_, err := a.importLines(ctx, r, func(reports int) { bar.set(reports) })
	r.CloseWithError(err)
	bar.end()
	if err != nil {
		return err
	}
	if err := a.watch.refit(ctx); err != nil {
		return err
	}
	a.watch.writeDrift(ctx)
	return nil
}

// demoLive keeps the invented vehicles reporting until ctx ends.
func (a *app) demoLive(ctx context.Context, fl *fleetsim.Fleet, log *slog.Logger) error {
	live := fl.Live()
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-tick.C:
			for _, s := range live.Next(now.UTC()) {
				if _, err := a.broker.Publish(ctx, s.Device, "", s.Payload); err != nil && ctx.Err() == nil {
					log.Error("live report", "device", s.Device, "err", err)
				}
			}
		}
	}
}
