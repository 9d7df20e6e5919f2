package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"marginline/ingest/obd"
	"marginline/ingest/series"
)

func decodeCommand() *cobra.Command {
	var bus, from, catalogue, family string
	var pgn int32
	var raw bool
	cmd := &cobra.Command{
		Use:   "decode --bus BUS [--from ID] [--pgn N] HEX...",
		Short: "explain diagnostic messages",
		Long: `Explains diagnostic messages. Each argument is one complete message after transport reassembly, in hex,
service byte first (J1939: the payload of the PGN). The call is one report, so the two one-limit
messages of an older bus join to one result.

With --frames the arguments are raw frames: of an older bus whole ones with header and checksum, which are
verified; else ID#DATA, which are reassembled (ISO 15765-2, SAE J1939-21).`,
		Example: `  marginline decode --bus can "46 01 05 10 00 24 00 00 00 89"
  marginline decode --bus iso9141 "46 61 80 00 A6 00 0D"
  marginline decode --bus j1939 --pgn 41984 "F7 AA 0C 10 44 00 A0 47 60 5A FF FF"
  marginline decode --bus can --frames "7E8#100A462189200140" "7E8#210080FFFF555555"
  marginline decode --bus iso9141 --frames "48 6B 10 46 05 81 01 F4 01 2C B1"`,
		Args: cobra.MinimumNArgs(1),
	}
	form := outputFlag(cmd)
	cmd.Flags().StringVar(&bus, "bus", "", "can, j1850, iso9141, iso14230, j1939 or uds")
	cmd.Flags().StringVar(&from, "from", "", "responder: CAN id or source address, hex")
	cmd.Flags().Int32Var(&pgn, "pgn", series.None, "J1939 parameter group number, decimal")
	cmd.Flags().StringVar(&catalogue, "catalogue", "", "test catalogue (CSV) that gives meaning to maker-defined tests")
	cmd.Flags().StringVar(&family, "engine-family", "", "engine family whose rows of the catalogue apply")
	cmd.Flags().BoolVar(&raw, "frames", false, "the arguments are raw frames")
	cmd.MarkFlagRequired("bus")
	cmd.RunE = works(func(cmd *cobra.Command, args []string) error {
		if err := checkOutput(*form); err != nil {
			return err
		}
		b, err := series.ParseBus(bus)
		if err != nil {
			return &misuse{fmt.Errorf("--bus: %w", err)}
		}
		cat, err := readCatalogue(catalogue)
		if err != nil {
			return err
		}
		cat = cat.For(family)
		if raw {
			if from != "" || pgn != series.None {
				return &misuse{errors.New("--from and --pgn: a raw frame says itself who sent it")}
			}
			f, err := readFrames(b, args)
			if err != nil {
				return &misuse{err}
			}
			if len(f.leftOut) > 0 {
				fmt.Fprintf(cmd.ErrOrStderr(), "left out, no answer of the vehicle: %s\n", strings.Join(f.leftOut, ", "))
			}
			rep := obd.Decode(b, f.messages, cat)
			f.join(rep)
			return decodedOrNot(cmd, rep, *form)
		}
		msgs := make([]obd.Message, len(args))
		for i, a := range args {
			data, err := obd.ParseHex(a)
			if err != nil {
				return &misuse{fmt.Errorf("message %d: %w", i+1, err)}
			}
			msgs[i] = obd.Message{From: from, PGN: pgn, Data: data}
		}
		return decodedOrNot(cmd, obd.Decode(b, msgs, cat), *form)
	})
	return cmd
}

// decodedOrNot prints what decoded, and fails when something did not.
func decodedOrNot(cmd *cobra.Command, rep *obd.Report, form string) error {
	if err := printDecoded(cmd, rep, form); err != nil {
		return err
	}
	for _, it := range rep.Items {
		if it.Kind == obd.KindError {
			return &failure{err: errors.New("not everything could be decoded"), quiet: false}
		}
	}
	return nil
}

func readCatalogue(path string) (*obd.Catalogue, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	cat, err := obd.ParseCatalogue(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return cat, nil
}

// printDecoded writes what a report says: as data, or one line for each item with its words.
func printDecoded(cmd *cobra.Command, rep *obd.Report, form string) error {
	if form == "json" {
		return writeJSON(cmd.OutOrStdout(), rep)
	}
	l := listing{columns: []string{"message", "kind", "ecu", "test", "raw_value", "raw_min", "raw_max", "value", "min", "max", "unit_of_measure", "state", "passed", "margin", "explanation"}}
	for i := range rep.Items {
		it := &rep.Items[i]
		if r := it.Result; r != nil {
			l.add(it.Message+1, string(it.Kind), it.ECU, r.Test, whole(r.Raw.Value), whole(r.Raw.Min), whole(r.Raw.Max), r.Value, r.Min, r.Max, r.UnitOfMeasure,
				r.State.String(), truth(r.Passed), r.Margin, it.Explain())
			continue
		}
		words := it.Explain()
		if it.Err != nil {
			words = it.Err.Error()
		}
		l.add(it.Message+1, string(it.Kind), it.ECU, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, words)
	}
	return l.print(cmd.OutOrStdout(), form)
}

func whole(v int32) any {
	if v == series.None {
		return nil
	}
	return v
}

func truth(t series.Tri) any {
	if t == series.Unknown {
		return nil
	}
	return t == series.True
}
