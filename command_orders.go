package main

import (
	"net/url"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

func ordersCommand() *cobra.Command {
	cmd := group("orders", "work orders",
		"  marginline orders list\n  marginline orders open a-7KQ2M4\n  marginline orders print w-7KQ2M4")
	var by string
	open := &cobra.Command{Use: "open ALERT", Short: "open a work order for an alert's unit", Args: cobra.ExactArgs(1),
		Example: "  marginline orders open a-7KQ2M4"}
	dataFlag(open)
	propose := open.Flags().Bool("propose", false, "the order waits for an approval")
	open.Flags().StringVar(&by, "by", "", "who opens it (default: your user name)")
	open.RunE = func(cmd *cobra.Command, args []string) error {
		return send(cmd, "POST", "/orders", url.Values{"alert": {args[0]}, "by": {orUser(by)}, "propose": {strconv.FormatBool(*propose)}}, cmd.OutOrStdout())
	}
	for _, st := range orderSteps {
		cmd.AddCommand(orderStep(st.verb, st.short, st.example, st.flags))
	}
	cmd.AddCommand(open,
		fetchCommand("list", "work orders, the earliest due first", "  marginline orders list -o csv", "/orders"),
		fetchCommand("show ID", "one work order as data", "  marginline orders show w-7KQ2M4", "/orders/"),
		fetchCommand("print ID", "the sheet for the shop, safety first", "  marginline orders print w-7KQ2M4", "/sheets/"))
	return cmd
}

// orderSteps are the steps of a visit as commands; flags beside --by and --reason.
var orderSteps = []struct{ verb, short, example, flags string }{
	{"approve", "approve a proposed order", "", ""},
	{"schedule", "choose the day, or move it", "--day 2026-05-29 --bay 2 --reason \"swap unit is ready\"", "day bay technician service"},
	{"arrive", "the unit is in the shop", "", ""},
	{"start", "work begins", "", ""},
	{"wait", "work waits for parts, approval or a cold soak", "--reason \"parts: filler neck\"", ""},
	{"finish", "write the outcome of the visit", "--found found --cause \"rust at the filler neck\" --correction \"neck renewed\" --codes_cleared no --reprogrammed no",
		"found complaint cause correction other parts hours odometer_km codes_cleared reprogrammed date key"},
	{"close", "close an order that no test can prove", "--reason \"road test good, the test is no longer reported\"", ""},
	{"defer", "put an order off until a day", "--until 2026-06-12 --reason \"at the coast\"", "until"},
	{"cancel", "cancel an order", "--reason \"unit is sold\"", ""},
	{"no_show", "the unit did not come", "", ""},
	{"release", "give the day back; the plan proposes anew", "--reason \"the lift is down\"", ""},
	{"reopen", "open an order again", "--reason \"the driver smells fuel again\"", ""},
}

var stepFlags = map[string]string{
	"day": "day in the shop, such as 2026-05-29", "bay": "bay of the shop file (default: the plan chooses)", "technician": "technician (default: the plan chooses)",
	"service": "true: together with the PM service", "until": "a day or time", "found": "found, nothing, other or not_tested", "complaint": "what the driver said, if anything",
	"cause": "cause", "correction": "correction", "other": "what else was found", "parts": "parts in words", "hours": "labour hours", "odometer_km": "odometer, km",
	"codes_cleared": "yes or no", "reprogrammed": "a control unit was reprogrammed or replaced: yes or no", "date": "when the work ended (default: now)", "key": "the same key again is the same outcome",
}

func orderStep(verb, short, example, flags string) *cobra.Command {
	cmd := &cobra.Command{Use: strings.ReplaceAll(verb, "_", "-") + " ID", Short: short, Args: cobra.ExactArgs(1)}
	cmd.Example = strings.TrimRight("  marginline orders "+cmd.Name()+" w-7KQ2M4 "+example, " ")
	dataFlag(cmd)
	cmd.Flags().String("by", "", "who (default: your user name)")
	cmd.Flags().String("reason", "", "why, kept with the order")
	for _, f := range strings.Fields(flags) {
		cmd.Flags().String(f, "", stepFlags[f])
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q := url.Values{}
		for _, f := range append(strings.Fields(flags), "by", "reason") {
			if v, _ := cmd.Flags().GetString(f); v != "" {
				q.Set(f, v)
			}
		}
		q.Set("by", orUser(q.Get("by")))
		return send(cmd, "POST", "/orders/"+url.PathEscape(args[0])+"/"+verb, q, cmd.OutOrStdout())
	}
	return cmd
}
