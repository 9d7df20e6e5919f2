package main

import (
	"errors"
	"net/url"

	"github.com/spf13/cobra"
)

func quarantineCommand() *cobra.Command {
	cmd := group("quarantine", "what could not be decoded, why, and through again after a fix",
		"  marginline quarantine list\n  marginline quarantine show 1042.3\n  marginline quarantine replay --reason unit_mismatch")
	list := fetchCommand("list", "what could not be decoded, and why", "  marginline quarantine list -o json", "/quarantine")
	list.Flags().Int("max", 1000, "at most this many, the newest")
	cmd.AddCommand(list, fetchCommand("show ID", "one entry with its raw bytes", "  marginline quarantine show 1042.3", "/quarantine/"), replayCommand())
	return cmd
}

func replayCommand() *cobra.Command {
	var reason, device string
	var all bool
	cmd := &cobra.Command{
		Use: "replay [ID...]", Short: "send quarantined reports and messages through again",
		Long: `Sends quarantined reports and messages through again, after a fix of the roster, the test catalogue or
this program. A whole report comes in as it was; a single message comes in as a report of its own, whose id
is that of its report with the place of the message behind it. What would be refused again stays where it
is, and the answer says why. Nothing is stored twice.`,
		Example: "  marginline quarantine replay 1042 1043.3\n  marginline quarantine replay --reason unit_mismatch",
	}
	form := outputFlag(cmd)
	dataFlag(cmd)
	cmd.Flags().StringVar(&reason, "reason", "", "only entries of this reason")
	cmd.Flags().StringVar(&device, "device", "", "only entries of this dongle")
	cmd.Flags().BoolVar(&all, "all", false, "every entry")
	cmd.RunE = works(func(cmd *cobra.Command, ids []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		if len(ids) == 0 && reason == "" && device == "" && !all {
			return &misuse{errors.New("quarantine replay: say which: ids, --reason, --device, or --all")}
		}
		if all && len(ids) > 0 {
			return &misuse{errors.New("quarantine replay: ids or --all, not both")}
		}
		q := url.Values{"form": {*form}, "id": ids}
		for name, v := range map[string]string{"reason": reason, "device": device} {
			if v != "" {
				q.Set(name, v)
			}
		}
		return send(cmd, "POST", "/quarantine/replay", q, cmd.OutOrStdout())
	})
	return cmd
}
