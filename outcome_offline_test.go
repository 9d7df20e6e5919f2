package main

import (
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"marginline/alerts"
	"marginline/alerts/shop"
	"marginline/dashboards"
)

// pagesAt serves the pages of an app on an address until stop is called.
func pagesAt(t *testing.T, a *app, addr string) (at string, stop func()) {
	t.Helper()
	var l net.Listener
	within(t, 10*time.Second, "the address is free", func() bool {
		var err error
		l, err = net.Listen("tcp", addr)
		return err == nil
	})
	pages, err := a.pages()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- pages.Run(ctx, l) }()
	return l.Addr().String(), func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

var _ dashboards.Floor = (*floor)(nil)

// A technician opens the outcome of an order, loses the network (the service is really gone), writes it,
// opens the page again without network, and the outcome is taken when the service is back: once.
func TestOutcomeWithoutNetwork(t *testing.T) {
	data, units := smallFleet(t)
	a, _ := served(t, data)
	f, err := a.floor.TakeFact(t.Context(), shop.Fact{Kind: shop.Report, Unit: units[0], At: a.now(), By: "driver", Symptom: "fuel_smell"})
	if err != nil {
		t.Fatal(err)
	}
	list, err := a.floor.Alerts(t.Context(), false)
	if err != nil || len(list) == 0 {
		t.Fatal(list, f, err)
	}
	o, err := a.floor.Open(t.Context(), list[0].ID, "Odalys", true)
	if err != nil {
		t.Fatal(err)
	}
	a.watch.serving.Store(true) // the clock is the phone's, not that of the newest reading
	addr, stop := pagesAt(t, a, "127.0.0.1:0")

	opts := append(chromedp.DefaultExecAllocatorOptions[:len(chromedp.DefaultExecAllocatorOptions):len(chromedp.DefaultExecAllocatorOptions)],
		chromedp.UserDataDir(t.TempDir()), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true))
	alloc, endAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
	defer endAlloc()
	tab, endTab := chromedp.NewContext(alloc)
	defer endTab()
	tab, cancel := context.WithTimeout(tab, 3*time.Minute)
	defer cancel()
	do := func(what string, actions ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(tab, actions...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	until := func(what, js string) {
		t.Helper()
		if _, err := chromedp.Run(tab, chromedp.Poll[bool](js, chromedp.WithPollingTimeout(time.Minute))); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	text := func(sel string) string {
		t.Helper()
		s, err := chromedp.Run(tab, chromedp.Text(sel))
		if err != nil {
			t.Fatalf("%s: %v", sel, err)
		}
		return s
	}
	said := func(want string) {
		t.Helper()
		until("wait for "+want, fmt.Sprintf(`document.querySelector("[data-queue]").textContent.includes(%q)`, want))
	}
	url := "http://" + addr + "/orders/" + o.ID + "/outcome"
	do("open", chromedp.EmulateViewport(390, 844), chromedp.Navigate(url), chromedp.WaitVisible("form[data-outcome]"))
	until("the worker is there", `navigator.serviceWorker.controller !== null`)
	until("the worker keeps the page", `(() => { caches.open("outcome-pages-1").then(c => c.match(location.href)).then(r => { window.kept = r !== undefined; }); return window.kept === true; })()`)
	until("the page is no wider than a phone", `document.documentElement.scrollWidth <= document.documentElement.clientWidth`)

	stop() // no network
	do("open again without network", chromedp.Navigate(url), chromedp.WaitVisible("form[data-outcome]"))
	do("write", chromedp.Click(`input[name=found][value=found]`), chromedp.SendKeys("#cause", "filler hose off"), chromedp.SendKeys("#correction", "hose on, new clamp"),
		chromedp.Click(`input[name=codes_cleared][value=no]`), chromedp.Click(`input[name=reprogrammed][value=no]`), chromedp.SendKeys("#hours", "0.6"), chromedp.SetValue("#who", "Wes"),
		chromedp.Click("form[data-outcome] button[type=submit]"))
	said("waits for the network")
	if got, _, err := a.floor.Order(t.Context(), o.ID); err != nil || got.State != alerts.OrderApproved {
		t.Fatalf("%+v %v", got, err)
	}

	_, stop = pagesAt(t, a, addr)
	defer stop()
	until("the network is back", `dispatchEvent(new Event("online"))`)
	said(": sent")
	got, history, err := a.floor.Order(t.Context(), o.ID)
	if err != nil || got.State != alerts.OrderVerifying || len(got.Outcomes) != 1 || got.Last().Cause != "filler hose off" || *got.Last().Hours != 0.6 || *got.Last().CodesCleared {
		t.Fatalf("%+v %v", got, err)
	}
	do("the order shows it", chromedp.Navigate("http://"+addr+"/orders/"+o.ID), chromedp.WaitVisible(".deskside"))
	if side := text(".deskside"); !strings.Contains(side, "verifying") || !strings.Contains(side, "filler hose off") || len(history) < 4 {
		t.Error(side)
	}
	for _, path := range []string{"/shop", "/review", "/orders", "/plan"} {
		do(path, chromedp.Navigate("http://"+addr+path))
		if head := text("h1"); strings.Contains(head, "could not") {
			t.Errorf("%s: %s", path, head)
		}
	}
}
