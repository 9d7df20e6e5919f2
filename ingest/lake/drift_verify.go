package lake

// drifts checks what holds over the files of drift: within a fold no row is there twice, and an end mark stands
// alone. The files are sorted, so that equals meet. It was made of what is committed.
func (v *verifier) drifts() error {
	if f := v.set.folded; f.Stream == v.set.pos.Stream && f.Seq > v.set.pos.Seq {
		v.tell(drift, "", "was made of reports up to %d, those up to %d are committed", f.Seq, v.set.pos.Seq)
	}
	var files []dataFile
	for _, f := range v.set.heads[drift].files {
		if v.bad[f.group] {
			return nil // told already
		}
		files = append(files, f)
	}
	var last Drift
	n, twice := 0, 0
	err := v.l.mergedDrift(v.ctx, files, func(d *Drift) error {
		if n++; n > 1 && compareDrift(&last, d) == 0 {
			twice++
		}
		if d.fold > v.set.folded.fold || d.fold < 1 {
			v.tell(drift, "", "unit %q has rows of fold %d, the newest that was given out is %d", d.Unit, d.fold, v.set.folded.fold)
		}
		if d.mark() != d.ReadAt.IsZero() || d.mark() != (d.Test == "") {
			v.tell(drift, "", "unit %q has a row of fold %d that is neither a reading nor an end mark", d.Unit, d.fold)
		}
		last = *d
		return nil
	})
	if cerr := v.ctx.Err(); cerr != nil {
		return cerr
	}
	if err != nil {
		v.tell(drift, "", "%v", err)
	}
	if twice > 0 {
		v.tell(drift, "", "%d rows are there twice in one fold", twice)
	}
	return nil
}
