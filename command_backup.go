package main

import (
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strconv"

	"github.com/spf13/cobra"

	"marginline/ingest/backup"
)

func backupCommand() *cobra.Command {
	var to string
	var keep int
	cmd := &cobra.Command{Use: "backup --to DIR", Short: "copy lake, book, log and settings to one consistent point", Args: cobra.NoArgs,
		Long: `Makes a folder in DIR, named by the time, with everything that a restore needs: the history (lake), roster, alerts,
work orders and their audit (state.db), the log of reports with what is not committed yet, the quarantine, and
the settings. What was published on marginline.alerts is not in it: those messages are only the way out, and what became of
each is in state.db. The service goes on meanwhile; without one the command does it by itself. The decisions are those
of the moment it begins; every report that was acknowledged before that is in it.

A second backup into the same DIR shares what did not change with the one before, so keep DIR for it and on
another disk than the data. The process that owns the data writes it: DIR must be writable by its user. A backup holds
secrets (tokens, the settings file); its folder is for its owner only.`,
		Example: "  marginline backup --to /backup/marginline --keep 14\n  marginline backup verify /backup/marginline"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&to, "to", "", "folder of the backups; made where it is missing")
	cmd.Flags().IntVar(&keep, "keep", 0, "afterwards remove the oldest backups there until this many are left (0 = remove none)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		if to == "" {
			return &misuse{errors.New("backup: say where: --to DIR")}
		}
		if keep < 0 {
			return &misuse{fmt.Errorf("backup: --keep %d: 0 or more", keep)}
		}
		abs, err := filepath.Abs(to)
		if err != nil {
			return err
		}
		return send(cmd, "POST", "/backup", url.Values{"form": {*form}, "to": {abs}, "keep": {strconv.Itoa(keep)}}, cmd.OutOrStdout())
	}
	cmd.AddCommand(backupVerify())
	return cmd
}

func backupVerify() *cobra.Command {
	cmd := &cobra.Command{Use: "verify DIR", Short: "read a backup whole and compare every file with its sum", Args: cobra.ExactArgs(1),
		Long:    "Reads the backup DIR, or the newest one in it, and says which files are damaged, missing or too many. Exits with 1 if any are.",
		Example: "  marginline backup verify /backup/marginline"}
	form := outputFlag(cmd)
	cmd.RunE = works(func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		point, m, err := backup.Find(args[0])
		if err != nil {
			return err
		}
		bad, err := backup.Verify(cmd.Context(), point, m)
		if err != nil {
			return err
		}
		if len(bad) > 0 {
			l := listing{columns: []string{"file", "problem"}}
			for _, d := range bad {
				l.add(d.Path, d.What)
			}
			if err := l.print(cmd.OutOrStdout(), *form); err != nil {
				return err
			}
			return fmt.Errorf("backup verify: %s: %d problems", point, len(bad))
		}
		l := backupListing()
		addBackup(&l, point, m, 0)
		return l.print(cmd.OutOrStdout(), *form)
	})
	return cmd
}

func backupListing() listing {
	return listing{columns: []string{"backup", "made_at", "files", "bytes", "new_bytes", "reports_in_lake", "reports_in_log"}}
}

func addBackup(l *listing, point string, m *backup.Manifest, shared int64) {
	l.add(point, m.MadeAt, len(m.Files), m.Bytes(), m.Bytes()-shared, m.LakeSeq, m.LogSeq)
}
