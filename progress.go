package main

import (
	"io"
	"os"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
)

// A progress draws one bar on a terminal and nothing anywhere else.
type progress struct {
	pool *mpb.Progress
	bar  *mpb.Bar
}

func newProgress(w io.Writer, name string, total int64) *progress {
	if total <= 0 || !isTerminal(w) {
		return &progress{}
	}
	p := mpb.New(mpb.WithOutput(w), mpb.WithWidth(48))
	return &progress{pool: p, bar: p.AddBar(total,
		mpb.PrependDecorators(decor.Name(name+" ")),
		mpb.AppendDecorators(decor.Percentage(), decor.Name(" "), decor.Elapsed(decor.ET_STYLE_GO)))}
}

func (p *progress) add(n int) {
	if p.bar != nil {
		p.bar.IncrBy(n)
	}
}

// set says how far it is in all.
func (p *progress) set(n int) {
	if p.bar != nil {
		p.bar.SetCurrent(int64(n))
	}
}

func (p *progress) end() {
	if p.bar == nil {
		return
	}
	p.bar.SetTotal(-1, true)
	p.pool.Wait()
}

// isTerminal says whether w is a character device, as a terminal is.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}
