package dashboards

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// needBundle fails, never skips: the pages ship with their script.
func needBundle(t testing.TB, s *site) {
	t.Helper()
	if !s.assets.bundle {
		t.Fatal("the UI bundle is not built: run `make web` (npm ci --ignore-scripts && npm run build in dashboards/web), then test again")
	}
}

// A tab is a real browser looking at the site.
type tab struct {
	ctx  context.Context
	base string
	drop func()      // cuts the connections that are open
	away atomic.Bool // the service does not answer

	mu     sync.Mutex
	faults []string // what the console complained about: blocked content, exceptions
}

// browse starts chromium on the site; more are flags of chromium.
func browse(t testing.TB, s *site, more ...chromedp.ExecAllocatorOption) *tab {
	t.Helper()
	needBundle(t, s)
	path := ""
	for _, p := range []string{"/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"} {
		if _, err := os.Stat(p); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Fatal("chromium is needed for the browser tests: apt-get install chromium")
	}
	hub, end := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); s.hub.run(hub) }()
	b := &tab{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if b.away.Load() {
			panic(http.ErrAbortHandler)
		}
		s.Handler().ServeHTTP(w, r)
	}))
	opts := append(chromedp.DefaultExecAllocatorOptions[:len(chromedp.DefaultExecAllocatorOptions):len(chromedp.DefaultExecAllocatorOptions)],
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-sync", true))
	opts = append(opts, more...)
	alloc, stopAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, stop := chromedp.NewContext(alloc)
	ctx, stopTime := context.WithTimeout(ctx, 9*time.Minute)
	b.ctx, b.base, b.drop = ctx, srv.URL, srv.CloseClientConnections
	reading := make(chan struct{})
	messages := chromedp.Console(ctx)
	go func() {
		defer close(reading)
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.IsException() || m.Type == "error" {
				b.mu.Lock()
				b.faults = append(b.faults, m.Text+" "+m.URL)
				b.mu.Unlock()
			}
		}
	}()
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx)
		stopTime()
		stop()
		stopAlloc()
		<-reading
		end()
		<-done
		srv.CloseClientConnections()
		srv.Close()
	})
	b.do(t, chromedp.Navigate("about:blank"))
	return b
}

// hang makes the service go away, resume brings it back.
func (b *tab) hang() {
	b.away.Store(true)
	b.drop()
}

func (b *tab) resume() { b.away.Store(false) }

// complaints are the console's errors so far.
func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.faults...)
}

func (b *tab) do(t testing.TB, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		t.Fatalf("browser: %v", err)
	}
}

// ask runs an action that has an answer.
func ask[T any](t testing.TB, b *tab, a chromedp.Action[T]) T {
	t.Helper()
	v, err := chromedp.Run(b.ctx, a)
	if err != nil {
		t.Fatalf("browser: %v", err)
	}
	return v
}

// eval evaluates an expression in the page.
func eval[T any](t testing.TB, b *tab, js string) T {
	t.Helper()
	return ask(t, b, chromedp.Evaluate[T](js))
}

// until waits for a condition in the page.
func (b *tab) until(t testing.TB, js string) {
	t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Poll[bool](js, chromedp.WithPollingTimeout(20*time.Second))); err != nil {
		t.Fatalf("browser: waiting for %s: %v", js, err)
	}
}

func (b *tab) size(t testing.TB, w, h int64, dark bool) {
	t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	b.do(t, chromedp.EmulateViewport(w, h))
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	if err != nil {
		t.Fatal(err)
	}
}

// before runs a script in every page ahead of its own.
func (b *tab) before(t testing.TB, js string) {
	t.Helper()
	if _, err := chromedp.Call(b.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: js}); err != nil {
		t.Fatal(err)
	}
}

// script turns JavaScript of pages on or off.
func (b *tab) script(t testing.TB, on bool) {
	t.Helper()
	if _, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on}); err != nil {
		t.Fatal(err)
	}
}

func (b *tab) open(t testing.TB, path string) {
	t.Helper()
	b.do(t, chromedp.Navigate(b.base+path), chromedp.WaitReady("#main"))
}

// settled waits until the interactive drawing is there, on pages that have one.
func (b *tab) settled(t testing.TB) {
	t.Helper()
	b.until(t, `document.querySelectorAll("[data-points]").length === document.querySelectorAll("[data-drawn]").length`)
}

// shot keeps a picture of the whole page when SHOTS names a folder.
func (b *tab) shot(t testing.TB, name string) {
	t.Helper()
	dir := os.Getenv("SHOTS")
	if dir == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), ask(t, b, chromedp.FullScreenshot(100)), 0o644); err != nil {
		t.Fatal(err)
	}
}

// tabTo presses Tab until the expression holds of what has the focus.
func (b *tab) tabTo(t testing.TB, js string) {
	t.Helper()
	for range 400 {
		b.do(t, chromedp.KeyEvent(kb.Tab))
		if eval[bool](t, b, js) {
			return
		}
	}
	t.Fatalf("Tab never comes to %s on %s", js, eval[string](t, b, "location.href"))
}

// drag takes what one selector names by the mouse and lets it go over another.
func (b *tab) drag(t testing.TB, from, to string) {
	t.Helper()
	spot := func(css string) struct{ X, Y float64 } {
		return eval[struct{ X, Y float64 }](t, b, `(() => { const r = document.querySelector(`+asJSON(css)+`).getBoundingClientRect(); return {X: r.x + r.width / 2, Y: r.y + r.height / 2}; })()`)
	}
	b.do(t, chromedp.ScrollIntoView(chromedp.CSS(from)))
	a, z := spot(from), spot(to)
	mouse := func(kind input.DispatchMouseEventType, x, y float64) {
		t.Helper()
		_, err := chromedp.Call(b.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, Buttons: 1, ClickCount: 1})
		if err != nil {
			t.Fatal(err)
		}
	}
	mouse(input.DispatchMouseEventTypeMousePressed, a.X, a.Y)
	for i := range 11 {
		f := float64(i) / 10
		mouse(input.DispatchMouseEventTypeMouseMoved, a.X+(z.X-a.X)*f, a.Y+(z.Y-a.Y)*f)
	}
	mouse(input.DispatchMouseEventTypeMouseMoved, z.X+1, z.Y)
	mouse(input.DispatchMouseEventTypeMouseReleased, z.X+1, z.Y)
}
