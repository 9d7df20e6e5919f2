package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"marginline/ingest"
	"marginline/ingest/report"
)

// canLogs is what import knows of the CAN logs among its files.
type canLogs struct {
	device, vin string
	names       []string
	logs        []*ingest.CANLog
}

// isCANLog tells a CAN log by its name.
func isCANLog(name string) bool {
	name = strings.ToLower(name)
	name = strings.TrimSuffix(strings.TrimSuffix(name, ".gz"), ".zst")
	return strings.HasSuffix(name, ".log") || strings.HasSuffix(name, ".candump")
}

// check says what the command line lacks.
func (l *canLogs) check(files []string) error {
	first := ""
	for _, f := range files {
		if isCANLog(f) {
			first = f
			break
		}
	}
	switch {
	case first == "" && (l.device != "" || l.vin != ""):
		return errors.New("import: --device and --vin are for CAN logs (*.log, *.candump); a report names its own")
	case first != "" && l.device == "":
		return fmt.Errorf("import: %s is a CAN log and does not say who recorded it: give --device DEVICE", first)
	case first != "" && !report.DeviceName(l.device):
		return fmt.Errorf("import: --device %q: want 1 to 64 of A-Z a-z 0-9 _ -", l.device)
	case l.vin != "" && len(l.vin) != 17:
		return fmt.Errorf("import: --vin %q: want 17 characters", l.vin)
	}
	l.vin = strings.ToUpper(l.vin)
	return nil
}

// convert makes reports of a CAN log and leaves other files alone.
func (l *canLogs) convert(name string, in io.Reader) io.Reader {
	if !isCANLog(name) {
		return in
	}
	log := ingest.NewCANLog(in, l.device, l.vin)
	l.names, l.logs = append(l.names, name), append(l.logs, log)
	return log
}

// tell says what the logs held, and what of it is not in the reports.
func (l *canLogs) tell(w io.Writer) {
	for i, log := range l.logs {
		n := log.Counts
		fmt.Fprintf(w, "%s: %d frames: %d messages in %d reports; left out: %d frames of the tester, %d of other traffic, %d broadcasts that repeat, %d remote and error frames\n",
			l.names[i], n.Frames, n.Messages, n.Reports, n.Requests, n.Other, n.Repeats, n.Skipped)
		if n.Broken > 0 {
			fmt.Fprintf(w, "%s: %d messages could not be reassembled; they are kept in the quarantine with their frames\n", l.names[i], n.Broken)
		}
		for _, s := range n.Complaints {
			fmt.Fprintf(w, "%s: %s\n", l.names[i], s)
		}
		if n.Bad > 0 {
			fmt.Fprintf(w, "%s: %d lines are no frames; they are kept in the quarantine\n", l.names[i], n.Bad)
		}
	}
}
