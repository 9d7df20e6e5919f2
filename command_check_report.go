package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"marginline/ingest"
	"marginline/ingest/obd"
	"marginline/ingest/report"
)

func checkReportCommand() *cobra.Command {
	var catalogue string
	cmd := &cobra.Command{
		Use: "report FILE", Short: "say what a report lacks, and which tests cannot be protected and why", Args: cobra.ExactArgs(1),
		Long: `Says what the pipeline would make of a report before it is published: what it lacks, which of its tests
cannot be protected and why, and which messages would go to the quarantine. FILE is one report in JSON or in
protobuf, or one JSON report a line (.gz and .zst are unpacked); "-" reads standard input.
Findings are advice: the exit code is 1 only when a report would be refused as a whole.`,
		Example: "  marginline check report report.json\n  marginline check report -o json report.pb",
	}
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&catalogue, "catalogue", "", "test catalogue (CSV) that gives meaning to maker-defined tests")
	cmd.RunE = works(func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		cat, err := readCatalogue(catalogue)
		if err != nil {
			return err
		}
		in := cmd.InOrStdin()
		if args[0] != "-" {
			f, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer f.Close()
			in = f
		}
		reviews, err := examine(in, cat, time.Now())
		if err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		if err := printReviews(cmd, reviews, *form); err != nil {
			return err
		}
		refused := 0
		for _, v := range reviews {
			if v.Refused != "" {
				refused++
			}
		}
		if refused > 0 {
			return fmt.Errorf("%s: %d of %d reports would be refused", args[0], refused, len(reviews))
		}
		return nil
	})
	return cmd
}

// examine reviews what a file holds: one report in either form, or one in JSON a line.
func examine(in io.Reader, cat *obd.Catalogue, now time.Time) ([]*ingest.Review, error) {
	head := bufio.NewReaderSize(in, report.MaxBytes+1)
	all, err := head.Peek(report.MaxBytes + 1)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if err != nil && single(all) { // the file ends within one report
		return []*ingest.Review{ingest.Examine(bytes.TrimPrefix(all, []byte("\xEF\xBB\xBF")), cat, now)}, nil
	}
	r, err := report.NewReader(head)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	var list []*ingest.Review
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) && len(list) > 0 {
			return list, nil
		}
		if err != nil {
			return list, err
		}
		v := ingest.Examine(line.Data, cat, now)
		if line.Cut > 0 {
			v = &ingest.Review{Form: "json", Refused: fmt.Sprintf("%s: %d bytes: at most %d", ingest.Unreadable, len(line.Data)+line.Cut, report.MaxBytes)}
		}
		v.Line = line.Number
		list = append(list, v)
	}
}

// single says whether bytes are one report: anything that is not compressed, unless a line after the first
// begins with "{" and the whole is no JSON.
func single(b []byte) bool {
	for _, magic := range []string{"\x1F\x8B", "\x28\xB5\x2F\xFD"} {
		if bytes.HasPrefix(b, []byte(magic)) {
			return false
		}
	}
	b = bytes.TrimSpace(bytes.TrimPrefix(b, []byte("\xEF\xBB\xBF")))
	return !bytes.HasPrefix(b, []byte("{")) || json.Valid(b) || !bytes.Contains(b, []byte("\n{"))
}

// printReviews writes the findings; in the table one line each, and what the report is beside them.
func printReviews(cmd *cobra.Command, reviews []*ingest.Review, form string) error {
	if form == "json" {
		return writeJSON(cmd.OutOrStdout(), reviews)
	}
	l := listing{columns: []string{"report", "topic", "message", "ecu", "test", "finding"}}
	for _, v := range reviews {
		name := v.ID
		if v.Line > 0 {
			name = fmt.Sprintf("line %d %s", v.Line, v.ID)
		}
		if v.Refused != "" {
			l.add(name, "refused", nil, nil, nil, v.Refused)
			continue
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "report %s of device %s (%s, %s, %s): %d messages, %d of them for the quarantine; %d tests, %d of them followed\n",
			name, v.Device, v.Form, v.Bus, v.Time, v.Messages, v.Rejected, v.Tests, v.Followed)
		for _, f := range v.Findings {
			var message any
			if f.Message > 0 {
				message = f.Message
			}
			says := f.Says
			if f.Name != "" {
				says = f.Name + ": " + says
			}
			l.add(name, string(f.Topic), message, f.ECU, f.Test, says)
		}
	}
	return l.print(cmd.OutOrStdout(), form)
}
