package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"
)

// imported is what one import did.
type imported struct {
	Reports     int    `json:"reports"`     // published to the log
	Unreadable  int    `json:"unreadable"`  // of these, lines that are no report: kept in the quarantine
	Duplicates  uint64 `json:"duplicates"`  // reports that were there already
	Quarantined uint64 `json:"quarantined"` // entries added to the quarantine
	Readings    uint64 `json:"readings"`    // rows added
	Open        int    `json:"open"`        // open alerts afterwards
}

// rosterTaken is what one roster import did.
type rosterTaken struct {
	Units  int      `json:"units"`
	Errors []string `json:"errors"`
}

func importCommand() *cobra.Command {
	var roster string
	var logs canLogs
	cmd := &cobra.Command{
		Use:   "import [--roster FILE] [--device DEVICE] FILE...",
		Short: "take recorded reports or CAN logs through the whole pipeline",
		Long: `Takes recorded reports (one JSON object a line; .gz and .zst are unpacked) through the whole pipeline:
log, decoder, lake, detector, alert book. Returns when everything is committed and alerts are raised.
A report that is there already is left alone, so an import that broke off is simply run again.
"-" reads standard input.

A file named *.log or *.candump (.gz and .zst of these too) is a recording of CAN frames as text, one
"(time) interface ID#DATA" a line; --device names the dongle that recorded it. Messages are reassembled
(ISO 15765-2, SAE J1939-21) and grouped into reports; what cannot be reassembled ends in the quarantine.`,
		Example: `  marginline import --roster roster.csv reports.ndjson.gz
  marginline import --device dgl-0217 morning.log
  zcat reports-*.gz | marginline import -`,
	}
	dataFlag(cmd)
	cmd.Flags().StringVar(&roster, "roster", "", "roster (CSV) to take first")
	cmd.Flags().StringVar(&logs.device, "device", "", "dongle that recorded the CAN logs")
	cmd.Flags().StringVar(&logs.vin, "vin", "", "vehicle of the CAN logs; default: what the vehicle itself says, else the roster by the device")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 && roster == "" {
			return errors.New("import: nothing to import: give report files, --roster FILE, or both")
		}
		if err := logs.check(args); err != nil {
			return &misuse{err}
		}
		return withClient(func(ctx context.Context, cmd *cobra.Command, c *client, files []string) error {
			var errs []error
			if roster != "" {
				errs = append(errs, sendRoster(ctx, cmd, c, roster))
			}
			if len(files) > 0 {
				errs = append(errs, sendReports(ctx, cmd, c, files, &logs))
			}
			return errors.Join(errs...)
		})(cmd, args)
	}
	return cmd
}

func sendRoster(ctx context.Context, cmd *cobra.Command, c *client, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("roster: %w", err)
	}
	defer f.Close()
	r, err := c.do(ctx, "POST", "/roster", nil, f)
	if err != nil {
		return fmt.Errorf("roster %s: %w", path, err)
	}
	defer r.Close()
	var t rosterTaken
	if err := json.NewDecoder(r).Decode(&t); err != nil {
		return err
	}
	for _, e := range t.Errors {
		fmt.Fprintf(cmd.ErrOrStderr(), "%s: %s\n", path, e)
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "roster: %d units\n", t.Units)
	if len(t.Errors) > 0 {
		return fmt.Errorf("roster %s: %d rows left out, %d units kept", path, len(t.Errors), t.Units)
	}
	return nil
}

// sendReports streams the files, one after the other, to the owner of the data folder.
func sendReports(ctx context.Context, cmd *cobra.Command, c *client, files []string, logs *canLogs) error {
	bar := newProgress(cmd.ErrOrStderr(), "import", sizeOf(files))
	body := &fileStream{files: files, stdin: cmd.InOrStdin(), seen: bar.add, convert: logs.convert}
	defer body.Close()
	r, err := c.do(ctx, "POST", "/import", nil, body)
	bar.end()
	logs.tell(cmd.ErrOrStderr())
	if body.err != nil {
		return body.err // the file's own trouble says more than the broken request
	}
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	defer r.Close()
	var done imported
	if err := json.NewDecoder(r).Decode(&done); err != nil {
		return fmt.Errorf("import: the service gave no account of it: %w", err)
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "%d reports: %d readings added, %d duplicates left alone, %d in quarantine; %d open alerts\n",
		done.Reports, done.Readings, done.Duplicates, done.Quarantined, done.Open)
	return nil
}

func sizeOf(files []string) int64 {
	var n int64
	for _, f := range files {
		st, err := os.Stat(f)
		if err != nil || !st.Mode().IsRegular() {
			return 0
		}
		n += st.Size()
	}
	return n
}
