package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"
)

// options are what a run is asked to be.
type options struct {
	binary string
	length time.Duration
	every  time.Duration
	expire time.Duration // between two calls of `lake expire`; 0 = the service's own upkeep only
	merge  time.Duration // between two looks of the service for files to merge
	rate   float64       // reports a second
	units  int
	seed   uint64
	dir    string // "" = a temporary folder, which is removed
}

func main() {
	var o options
	flag.StringVar(&o.binary, "binary", "./marginline", "the program under test")
	flag.DurationVar(&o.length, "for", time.Hour, "how long to feed")
	flag.DurationVar(&o.every, "every", 10*time.Second, "between two samples")
	flag.DurationVar(&o.expire, "expire", 2*time.Minute, "between two calls of lake expire; 0 = leave it to the service, and run for 100 minutes or more")
	flag.DurationVar(&o.merge, "merge", 15*time.Second, "between two looks of the service for files to merge")
	flag.Float64Var(&o.rate, "rate", 50, "reports a second")
	flag.IntVar(&o.units, "units", 1000, "vehicles of the invented fleet")
	flag.Uint64Var(&o.seed, "seed", 1, "seed of the fleet")
	flag.StringVar(&o.dir, "dir", "", "folder for the data, the log and samples.csv; kept. Empty = a temporary one")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := soak(ctx, o, os.Stdout, slog.New(slog.NewTextHandler(os.Stderr, nil)))
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "soak:", err)
		os.Exit(1)
	}
}

func soak(ctx context.Context, o options, out io.Writer, log *slog.Logger) (err error) {
	if o.every <= 0 || o.rate <= 0 || o.length < 12*o.every {
		return fmt.Errorf("-rate and -every must be above 0, and -for at least twelve samples (%v)", 12*o.every)
	}
	if o.dir == "" {
		if o.dir, err = os.MkdirTemp("", "soak"); err != nil {
			return err
		}
		defer os.RemoveAll(o.dir)
	} else if err = os.MkdirAll(o.dir, 0o750); err != nil {
		return err
	}
	f, err := newFeed(o, log)
	if err != nil {
		return err
	}
	s, err := startService(ctx, o, f)
	if err != nil {
		return err
	}
	defer s.kill()
	log.Info("feeding", "for", o.length, "reports_a_second", o.rate, "units", o.units, "pid", s.cmd.Process.Pid)

	fed := make(chan error, 1)
	go func() { fed <- f.run(ctx, s.nats, o.length) }()
	samples, err := watch(ctx, s, o, fed, log)
	if err != nil {
		return errors.Join(err, s.tail())
	}
	stored, err := s.settle(ctx, f)
	if err != nil {
		return errors.Join(err, s.tail())
	}
	verdicts := judge(samples, o.settled())
	printTable(out, o, f, stored, verdicts)
	var errs []error
	for _, v := range verdicts {
		if v.growing {
			errs = append(errs, fmt.Errorf("%s is not flat", v.name))
		}
	}
	if stored != f.distinct() {
		errs = append(errs, fmt.Errorf("%d distinct reports were published and acknowledged, %d are stored", f.distinct(), stored))
	}
	return errors.Join(append(errs, s.end(ctx))...)
}

// watch samples until feeding ends.
func watch(ctx context.Context, s *service, o options, fed <-chan error, log *slog.Logger) ([]sample, error) {
	tick := time.NewTicker(o.every)
	defer tick.Stop()
	expire := make(<-chan time.Time) // never
	if o.expire > 0 {
		t := time.NewTicker(o.expire)
		defer t.Stop()
		expire = t.C
	}
	start := time.Now()
	var all []sample
	for {
		select {
		case err := <-fed:
			return all, err
		case err := <-s.ended:
			return all, fmt.Errorf("the service ended by itself: %w", errors.Join(err, io.ErrUnexpectedEOF))
		case <-expire:
			if out, err := s.run(ctx, "lake", "expire"); err != nil {
				return all, fmt.Errorf("%w\n%s", err, out)
			}
		case <-tick.C:
			x, err := s.sample(ctx, time.Since(start))
			if err != nil {
				return all, err
			}
			all = append(all, x)
			if err := errors.Join(writeSamples(filepath.Join(o.dir, "samples.csv"), all), writeStocks(filepath.Join(o.dir, "tables.csv"), all)); err != nil {
				return all, err
			}
			if len(all)%6 == 0 {
				log.Info("sample", "after", x.after.Round(time.Second), "mib", int(x.memory), "goroutines", x.goroutines, "open_files", x.open,
					"live_data_files", x.lake.live.files, "data_files", x.lake.data.files, "metadata_files", x.lake.metadata().files,
					"versions_lately", x.recent, "waiting", x.waiting)
			}
		}
	}
}
