package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"time"

	"github.com/spf13/cobra"

	"marginline/ingest"
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
		all, refused := 0, 0
		var broken error // what ended the file before its end: the reviews before it are printed
		counted := func(yield func(*ingest.Review) bool) {
			for v, err := range reviews(in, &ingest.Reviewer{Catalogue: cat, Now: time.Now()}) {
				if err != nil {
					broken = err
					return
				}
				all++
				if v.Refused != "" {
					refused++
				}
				if !yield(v) {
					return
				}
			}
		}
		if err := printReviews(cmd, counted, *form); err != nil {
			return err
		}
		switch {
		case broken != nil:
			return fmt.Errorf("%s: %w", args[0], broken)
		case refused > 0:
			return fmt.Errorf("%s: %d of %d reports would be refused", args[0], refused, all)
		}
		return nil
	})
	return cmd
}

// reviews goes through what a file holds: one report in either form, or one in JSON a line.
func reviews(in io.Reader, by *ingest.Reviewer) iter.Seq2[*ingest.Review, error] {
	return func(yield func(*ingest.Review, error) bool) {
		plain, err := report.Unpack(in)
		if err != nil {
			yield(nil, err)
			return
		}
		defer plain.Close()
		head := bufio.NewReaderSize(plain, report.MaxBytes+len(byteOrderMark)+1)
		all, err := head.Peek(report.MaxBytes + len(byteOrderMark) + 1)
		if err != nil && !errors.Is(err, io.EOF) {
			yield(nil, err)
			return
		}
		if one := bytes.TrimPrefix(all, []byte(byteOrderMark)); err != nil && single(one) { // the file ends within one report
			yield(by.Examine(one), nil)
			return
		}
		lines, err := report.NewReader(head)
		if err != nil {
			yield(nil, err)
			return
		}
		defer lines.Close()
		for {
			line, err := lines.Next()
			switch {
			case errors.Is(err, io.EOF):
				return
			case err != nil:
				yield(nil, err)
				return
			}
			var v *ingest.Review
			if line.Cut > 0 {
				v = &ingest.Review{Form: "json", Findings: []ingest.Finding{},
					Refused: fmt.Sprintf("%s: %d bytes: at most %d", ingest.Unreadable, len(line.Data)+line.Cut, report.MaxBytes)}
			} else {
				v = by.Examine(line.Data)
			}
			v.Line = line.Number
			if !yield(v, nil) {
				return
			}
		}
	}
}

const byteOrderMark = "\xEF\xBB\xBF"

// single says whether bytes are one report rather than one a line: they are when they read as one, or when
// no line after the first begins as a report in JSON does.
func single(b []byte) bool {
	if !bytes.Contains(b, []byte("\n{")) {
		return true
	}
	if bytes.HasPrefix(bytes.TrimSpace(b), []byte("{")) {
		return json.Valid(b)
	}
	r, _ := report.Parse(b)
	return r != nil
}

// printReviews writes the findings; in the table one line each, and what the report is beside them.
func printReviews(cmd *cobra.Command, reviews iter.Seq[*ingest.Review], form string) error {
	out := cmd.OutOrStdout()
	if form == "json" { // report by report: a file may hold a fleet's year
		before := "[\n"
		for v := range reviews {
			b, err := json.MarshalIndent(v, " ", " ")
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(out, "%s %s", before, b); err != nil {
				return err
			}
			before = ",\n"
		}
		if before == "[\n" {
			before = "["
		} else {
			before = "\n"
		}
		_, err := io.WriteString(out, before+"]\n")
		return err
	}
	l := listing{columns: []string{"report", "topic", "message", "ecu", "test", "finding"}}
	for v := range reviews {
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
		if v.Omitted > 0 {
			l.add(name, "omitted", nil, nil, nil, fmt.Sprintf("%d more findings", v.Omitted))
		}
	}
	return l.print(out, form)
}
