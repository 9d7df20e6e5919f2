package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"
)

// dataFlag adds --data, and --config, to a command that touches state.
func dataFlag(cmd *cobra.Command) {
	cmd.Flags().String("data", "", "data folder (default ./marginline-data)")
	cmd.Flags().String("config", "", "configuration file (YAML)")
}

// configOf reads the configuration of a command: file, environment and the flags that were set.
func configOf(cmd *cobra.Command) (config, error) {
	path, _ := cmd.Flags().GetString("config")
	flags := map[string]any{}
	for flag, key := range map[string]string{"data": "data", "listen": "web.listen", "log-level": "log.level", "log-format": "log.format", "broker-url": "broker.url", "broker-listen": "broker.listen", "broker-mqtt": "broker.mqtt", "sql-flight": "sql.flight"} {
		if f := cmd.Flags().Lookup(flag); f != nil && f.Changed {
			flags[key] = f.Value.String()
		}
	}
	c, err := loadConfig(path, os.Environ(), flags)
	if err != nil {
		return c, &misuse{err}
	}
	return c, nil
}

// connect gives a client of the process that owns the data folder. When no process does, this one takes
// the folder for the length of the command: it opens the stages, takes in whatever the log still holds,
// and answers itself.
func connect(cmd *cobra.Command) (*client, error) {
	cfg, err := configOf(cmd)
	if err != nil {
		return nil, err
	}
	if err := mustHold(cmd, cfg.Data); err != nil {
		return nil, err
	}
	ctx := cmd.Context()
	log := cfg.logger(cmd.ErrOrStderr())
	if !cmd.Flags().Changed("log-level") && os.Getenv(envPrefix+"LOG_LEVEL") == "" {
		quiet := cfg
		quiet.Log.Level = "warn"
		log = quiet.logger(cmd.ErrOrStderr())
	}
	a, err := openApp(ctx, cfg, log)
	switch {
	case errors.Is(err, errOwned):
		return dial(ctx, cfg.Data)
	case err != nil:
		return nil, err
	}
	if err := a.start(ctx); err != nil {
		return nil, errors.Join(err, a.close())
	}
	if err := a.caughtUp(ctx); err != nil {
		return nil, errors.Join(err, a.close())
	}
	c := clientFor(a.control.sock)
	c.owned = a
	return c, nil
}

// withClient runs do with a client and closes it, whatever do returns.
func withClient(do func(ctx context.Context, cmd *cobra.Command, c *client, args []string) error) func(*cobra.Command, []string) error {
	return works(func(cmd *cobra.Command, args []string) error {
		c, err := connect(cmd)
		if err != nil {
			return err
		}
		c.note = func(s string) { fmt.Fprintln(cmd.ErrOrStderr(), s) }
		return errors.Join(do(cmd.Context(), cmd, c, args), c.close())
	})
}
