package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"
)

func restoreCommand() *cobra.Command {
	var from string
	cmd := &cobra.Command{Use: "restore --from DIR --data NEWDIR", Short: "bring a backup back into a new data folder", Args: cobra.NoArgs,
		Long: `Brings a backup, or the newest one in DIR, into the data folder NEWDIR, which must be empty or not there, on any path.
Every file is compared with its sum first and the lake is verified afterwards; a damaged backup, and one of a newer
release, is refused and NEWDIR left as it was. The next start takes in the reports that the log held and the lake did
not. The settings file of the service that was backed up is put beside the data, in NEWDIR/settings: read it and give it to serve
with --config.

Never run the old data folder and the restored one beside each other with the same dongles.`,
		Example: "  marginline restore --from /backup/marginline --data /srv/marginline\n  marginline restore --from /backup/marginline/2026-03-02T06-14-09Z --data ./then"}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&from, "from", "", "a backup, or the folder of several: the newest")
	cmd.RunE = works(func(cmd *cobra.Command, _ []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		if from == "" {
			return &misuse{errors.New("restore: say from where: --from DIR")}
		}
		cfg, err := configOf(cmd)
		if err != nil {
			return err
		}
		point, m, err := restore(cmd.Context(), cfg, from, cfg.logger(cmd.ErrOrStderr()))
		if err != nil {
			return fmt.Errorf("restore: %w", err)
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%s holds what was backed up at %s; start it with: marginline serve --data %s\n", cfg.Data, cell(m.MadeAt), cfg.Data)
		l := backupListing()
		addBackup(&l, point, m, 0)
		return l.print(cmd.OutOrStdout(), *form)
	})
	return cmd
}
