package main

import (
	"context"
	"io"
	"net/http"
	"net/http/httptrace"
	"net/textproto"
	"os"
	"strconv"
	"sync"

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

// progressParts is into how many parts the work of a request is divided that tells how far it is.
const progressParts = 1000

// progressHeader says how many parts are done, in the interim answers of a long request.
const progressHeader = "Marginline-Progress"

// tellProgress returns a function that tells the client how far a request is, in interim answers (RFC 9110, 15.2)
// before the answer itself. It may be called from many goroutines, until the answer begins.
func tellProgress(w http.ResponseWriter) func(share float64) {
	var mu sync.Mutex
	last := 0
	return func(share float64) {
		mu.Lock()
		defer mu.Unlock()
		if n := int(share * progressParts); n >= last+progressParts/100 || n == progressParts && n > last {
			last = n
			w.Header().Set(progressHeader, strconv.Itoa(n))
			w.WriteHeader(http.StatusProcessing)
			w.Header().Del(progressHeader)
		}
	}
}

// withProgress is a context whose requests move the bar.
func withProgress(ctx context.Context, bar *progress) context.Context {
	return httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{Got1xxResponse: func(_ int, h textproto.MIMEHeader) error {
		if n, err := strconv.Atoi(h.Get(progressHeader)); err == nil {
			bar.set(n)
		}
		return nil
	}})
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
