package main

import (
	"fmt"
	"net/url"
	"time"

	"github.com/spf13/cobra"
)

func enrollCommand() *cobra.Command {
	cmd := enrolling("enroll DEVICE", "give a dongle its credential, and keep the list of them", "enroll", "  marginline enroll dgl-0217\n  marginline enroll list\n  marginline enroll revoke dgl-0217 --reason \"stolen\"")
	cmd.Long = `Makes the credential of a dongle: an nkey for NATS and a password for MQTT. With either it may publish its own reports and read
nothing but the answers to them. It is shown this once: what is stored cannot be turned back into it.

The first enrolment turns sign-in on for good: every dongle needs a credential from then on, and who is connected
without one is disconnected. deploy/dongle.md says what a dongle does with it.`
	rotate := enrolling("rotate DEVICE", "make a new credential; the present one ends after the overlap", "rotate", "  marginline enroll rotate dgl-0217 --overlap 72h")
	rotate.Flags().Duration("overlap", 7*24*time.Hour, "how long the present credential is good for; 0 = ends at once")
	revoke := enrolling("revoke DEVICE", "end a dongle's credentials at once, on live connections too", "revoke", "  marginline enroll revoke dgl-0217 --reason \"stolen with the unit\"")
	revoke.Flags().String("reason", "", "why")
	move := enrolling("move DEVICE --unit UNIT", "write into the roster that another unit carries the dongle", "move", "  marginline enroll move dgl-0217 --unit 1042")
	move.Flags().String("unit", "", "the unit that carries it from now on")
	_ = move.MarkFlagRequired("unit")
	history := fetchCommand("history", "what happened to dongles, when and by whom, the oldest first", "  marginline enroll history --device dgl-0217", "/dongles/history")
	history.Flags().String("device", "", "only this one")
	cmd.AddCommand(fetchCommand("list", "every dongle that was enrolled, and its unit", "  marginline enroll list -o csv", "/dongles"), rotate, revoke, move, history)
	return cmd
}

// enrolling is a command that changes something about one dongle.
func enrolling(use, short, verb, example string) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Args: cobra.ExactArgs(1), Example: example}
	dataFlag(cmd)
	form := outputFlag(cmd)
	cmd.Flags().String("by", "", "who does it (default: your user name)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		if args[0] == "" {
			return &misuse{fmt.Errorf("%s: which dongle?", cmd.CommandPath())}
		}
		q := url.Values{"form": {*form}}
		for _, name := range []string{"by", "reason", "unit", "overlap"} {
			if f := cmd.Flags().Lookup(name); f != nil {
				q.Set(name, f.Value.String())
			}
		}
		return send(cmd, "POST", "/dongles/"+url.PathEscape(args[0])+"/"+verb, q, cmd.OutOrStdout())
	}
	return cmd
}
