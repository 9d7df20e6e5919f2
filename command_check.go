package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"

	query "marginline/sql"
)

func checkCommand() *cobra.Command {
	cmd := group("check", "check a configuration or a report before it is used",
		"  marginline check config marginline.yaml\n  marginline check report report.json")
	conf := &cobra.Command{Use: "config [FILE]", Short: "read a configuration, say what is wrong, and exit", Args: cobra.MaximumNArgs(1),
		Example: "  marginline check config marginline.yaml"}
	conf.RunE = works(func(cmd *cobra.Command, args []string) error {
		path := ""
		if len(args) == 1 {
			path = args[0]
		}
		cfg, err := loadConfig(path, os.Environ(), nil)
		if err != nil {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), "the configuration is good")
		fmt.Fprintln(cmd.ErrOrStderr(), fenceWords(cfg))
		return nil
	})
	cmd.AddCommand(conf, checkReportCommand())
	return cmd
}

// fenceWords say what holds analysts' SQL on this machine.
func fenceWords(cfg config) string {
	words, ok := query.Fence()
	switch {
	case ok:
		return "SQL runs in a process that can read nothing but the lake (" + words + ")"
	case cfg.SQL.Fence == string(query.FencePreferred):
		return "SQL runs behind the weaker fence, as sql.fence: preferred allows (" + words + ")"
	}
	return "SQL is closed on this machine (" + words + "); sql.fence: preferred accepts the weaker fence"
}
