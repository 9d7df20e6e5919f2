package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"

	"marginline/ingest/lake"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"
)

func serveCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "serve [--config FILE]",
		Short:   "run the service",
		Long:    "Runs the service: takes reports from the broker, keeps them, watches, and serves the pages. Ends in good order on SIGTERM or Ctrl-C.",
		Example: "  marginline serve --config marginline.yaml",
		Args:    cobra.NoArgs,
	}
	dataFlag(cmd)
	serviceFlags(cmd)
	cmd.RunE = works(func(cmd *cobra.Command, _ []string) error {
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		log := cfg.logger(cmd.ErrOrStderr())
		return serve(cmd.Context(), cfg, log, func(_ context.Context, _ *app, addr string) error {
			log.Info("serving", "address", addr, "data", cfg.Data)
			return nil
		})
	})
	return cmd
}

func serviceFlags(cmd *cobra.Command) {
	cmd.Flags().String("listen", "", "host:port of the pages (default 127.0.0.1:8470)")
	cmd.Flags().String("log-level", "", "debug, info, warn or error")
	cmd.Flags().String("log-format", "", "text or json")
	cmd.Flags().String("sql-flight", "", "host:port where other tools query by Arrow Flight SQL")
	cmd.Flags().String("broker-url", "", "an external NATS server instead of the embedded one")
	cmd.Flags().String("broker-listen", "", "host:port where the embedded broker takes dongles")
	cmd.Flags().String("broker-mqtt", "", "host:port where the embedded broker takes dongles that speak MQTT 3.1.1")
}

// serve opens every stage, serves the pages, calls ready, and runs until ctx ends or a stage fails.
func serve(ctx context.Context, cfg config, log *slog.Logger, ready func(ctx context.Context, a *app, addr string) error) error {
	if cfg.clustered() {
		return serveNode(ctx, cfg, log, ready)
	}
	a, err := openApp(ctx, cfg, log)
	if err != nil {
		return err
	}
	return errors.Join(a.onWeb(ctx, ready), a.close())
}

// onWeb opens the address of the pages and serves.
func (a *app) onWeb(ctx context.Context, ready func(ctx context.Context, a *app, addr string) error) error {
	l, scheme, err := a.webListener()
	if err != nil {
		return fmt.Errorf("pages: %w%s", err, hintInUse(err, a.cfg.Web.Listen))
	}
	if err := a.people.InForce(ctx, a.cfg.plain()); err != nil {
		l.Close()
		return err
	}
	return a.serve(ctx, l, scheme, ready)
}

func hintInUse(err error, addr string) string {
	if strings.Contains(err.Error(), "address already in use") {
		_, port, _ := net.SplitHostPort(addr)
		return fmt.Sprintf(" (choose another with --listen 127.0.0.1:PORT; something uses port %s)", port)
	}
	return ""
}

func (a *app) serve(ctx context.Context, l net.Listener, scheme string, ready func(ctx context.Context, a *app, addr string) error) error {
	pages, err := a.pages()
	if err != nil {
		l.Close()
		return err
	}
	beside, err := a.beside()
	if err != nil {
		l.Close()
		return err
	}
	if err := a.start(ctx, beside...); err != nil {
		l.Close()
		return err
	}
	pagesCtx, stopPages := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPages()
	ended := make(chan error, 1)
	go func() { ended <- pages.Run(pagesCtx, l) }()
	if err := a.watch.ready(ctx); err != nil {
		stopPages()
		return errors.Join(err, <-ended)
	}
	a.watch.serving.Store(true)
	if err := a.floor.tellMissed(ctx); err != nil {
		a.log.Error("what nobody was told yet", "err", err)
	}
	failed := make(chan error, 1)
	go func() { failed <- a.tasks.Wait() }()
	if err := ready(ctx, a, scheme+"://"+l.Addr().String()); err != nil && ctx.Err() == nil {
		stopPages()
		return errors.Join(err, <-ended)
	}
	a.tell(daemon.SdNotifyReady)
	select {
	case <-ctx.Done():
		a.tell(daemon.SdNotifyStopping)
		a.log.Info("stopping: draining, flushing, committing, acknowledging")
		a.watch.serving.Store(false)
		stopPages()
		return <-ended
	case err := <-ended:
		return fmt.Errorf("pages: %w", err)
	case err := <-failed:
		stopPages()
		return errors.Join(fmt.Errorf("a stage ended: %w", err), <-ended)
	}
}

// keepUp is the lake's upkeep while serving.
func (a *app) keepUp(ctx context.Context) error {
	limits, err := a.cfg.limits()
	if err != nil {
		return err
	}
	return a.lake.Run(ctx, lake.Upkeep{Every: a.cfg.Lake.Every, Grace: a.cfg.Lake.Grace, Keep: a.cfg.Lake.Snapshots, Age: a.cfg.Lake.SnapshotAge, Limits: limits})
}

// beside is what runs beside intake and watch while serving.
func (a *app) beside() ([]func(context.Context) error, error) {
	run := []func(context.Context) error{a.keepUp, a.tellAlive, a.cert.keep}
	if a.cfg.SQL.Flight == "" {
		return run, nil
	}
	serveFlight, err := a.flightSQL()
	if err != nil {
		return nil, err
	}
	return append(run, serveFlight), nil
}
