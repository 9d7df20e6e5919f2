package main

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"marginline/ingest/lake"
)

func lakeCommand() *cobra.Command {
	cmd := group("lake", "the stored history: prove it, keep it up, copy it",
		"  marginline lake verify\n  marginline lake compact\n  marginline lake export /backup/lake-2026-11-25")
	cmd.AddCommand(lakeVerify(), lakeCompact(), lakeExpire(), lakeExport(), lakeRestore())
	return cmd
}

func lakeVerify() *cobra.Command {
	cmd := &cobra.Command{Use: "verify", Short: "prove that every committed file is there, reads, and holds what is said of it", Args: cobra.NoArgs,
		Long: `Reads every committed file and compares size, row counts, bounds and null counts with what the file's own
footer, the manifests and the other tables say; finds reports that are there twice. Changes nothing and
may run beside the service. What it finds goes to standard output; then it exits with 1.`,
		Example: "  marginline lake verify\n  marginline lake verify -o json"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.RunE = works(func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		// Reads committed snapshots only, so it needs neither the lock nor the service.
		problems, sum, err := lake.Verify(cmd.Context(), lakeDir(cfg))
		if err != nil {
			return err
		}
		if len(problems) > 0 {
			fmt.Fprintln(cmd.ErrOrStderr(), sum)
			l := listing{columns: []string{"table", "file", "problem"}}
			for _, p := range problems {
				l.add(p.Table, p.File, p.What)
			}
			if err := l.print(cmd.OutOrStdout(), *form); err != nil {
				return err
			}
			return fmt.Errorf("lake verify: %d problems", len(problems))
		}
		return printSummary(cmd, sum, *form)
	})
	return cmd
}

// printSummary is what was looked at: a line for people's eyes on stderr, the tables on stdout.
func printSummary(cmd *cobra.Command, sum lake.Summary, form string) error {
	fmt.Fprintln(cmd.ErrOrStderr(), sum)
	l := listing{columns: []string{"table", "rows", "files", "bytes", "snapshot", "committed_at"}}
	for _, t := range sum.Tables {
		l.add(t.Name, t.Rows, t.Files, t.Bytes, t.SnapshotID, t.CommittedAt)
	}
	return l.print(cmd.OutOrStdout(), form)
}

func lakeCompact() *cobra.Command {
	cmd := &cobra.Command{Use: "compact", Short: "merge small files into large sorted ones, a month each", Args: cobra.NoArgs,
		Long: `Merges every month's files into as few as can be. The service does what is worth it by itself (lake.every);
this does the rest. Reports are taken in meanwhile. The files that were replaced go with 'lake expire'.`,
		Example: "  marginline lake compact"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		return send(cmd, "POST", "/lake/compact", url.Values{"form": {*form}}, cmd.OutOrStdout())
	}
	return cmd
}

func lakeExpire() *cobra.Command {
	cmd := &cobra.Command{Use: "expire", Short: "drop old snapshots, apply age limits, delete files that nothing refers to", Args: cobra.NoArgs,
		Long: `Two steps. Old snapshots leave the tables' metadata, and rows beyond the age limits (retention.*) are removed.
Then files that neither a snapshot nor a running query or copy refers to are condemned; those that have been
condemned for the grace period are deleted. So a file goes with the second run at the earliest.`,
		Example: "  marginline lake expire --keep 5 --older-than 12h"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().Int("keep", 0, "newest snapshots that stay (default lake.snapshots)")
	cmd.Flags().Duration("older-than", 0, "drop only snapshots older than this (default lake.snapshot_age)")
	cmd.Flags().Duration("grace", 0, "how long a file stays that nothing refers to (default lake.grace)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		q := url.Values{"form": {*form}}
		for _, name := range []string{"keep", "older-than", "grace"} {
			if f := cmd.Flags().Lookup(name); f.Changed {
				q.Set(name, f.Value.String())
			}
		}
		return send(cmd, "POST", "/lake/expire", q, cmd.OutOrStdout())
	}
	return cmd
}

func lakeExport() *cobra.Command {
	var home string
	cmd := &cobra.Command{Use: "export DIR", Short: "copy one consistent state of the lake into another folder", Args: cobra.ExactArgs(1),
		Long: `Copies the committed state into DIR, which must be empty or not there, with its paths written for DIR (or for
the place given by --for), and verifies the copy. Any engine that reads Apache Iceberg reads the copy. May run beside
the service. The lake is the stored history: roster, alerts and work orders are not in it.`,
		Example: "  marginline lake export /backup/lake-2026-11-25\n  marginline lake export ./lake --for /srv/marginline/lake"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&home, "for", "", "absolute path at which the copy will live (default DIR)")
	cmd.RunE = works(func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		sum, err := lake.Export(cmd.Context(), lakeDir(cfg), args[0], home)
		if err != nil {
			return err
		}
		return printSummary(cmd, sum, *form)
	})
	return cmd
}

func lakeRestore() *cobra.Command {
	cmd := &cobra.Command{Use: "restore DIR", Short: "bring an exported lake into a data folder that has none", Args: cobra.ExactArgs(1),
		Long: `Copies an exported lake into the data folder and verifies it. The folder must not hold a lake yet and not be in
use. Reports that the log still holds and the copy lacks come in at the next start.`,
		Example: "  marginline lake restore /backup/lake-2026-11-25 --data ./marginline-data"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.RunE = works(func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		from := args[0]
		if _, err := os.Stat(filepath.Join(from, "reports")); err != nil {
			return fmt.Errorf("%s is no exported lake: %w", from, err)
		}
		lock, err := lockData(cfg.Data)
		if err != nil {
			return err
		}
		defer lock.Close()
		sum, err := lake.Export(cmd.Context(), from, lakeDir(cfg), "")
		if errors.Is(err, lake.ErrThere) {
			return fmt.Errorf("%s holds a lake already; it was left as it is", cfg.Data)
		}
		if err != nil {
			return err
		}
		return printSummary(cmd, sum, *form)
	})
	return cmd
}
