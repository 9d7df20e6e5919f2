package dashboards

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"marginline/sql"
)

// SQL runs analysts' queries. The state of the past that asOf names is "" for the present.
type SQL interface {
	Rows(ctx context.Context, r sql.Request, asOf string, to sql.Sink) (sql.Summary, error)
	Write(ctx context.Context, r sql.Request, asOf, form string, w io.Writer) (sql.Summary, error)
	Load() (running, waiting int)
}

// Shelf keeps queries under names, for everybody.
type Shelf interface {
	List(ctx context.Context) ([]sql.Saved, error)
	Get(ctx context.Context, name string) (sql.Saved, error)
	Put(ctx context.Context, q sql.Saved) error
	Delete(ctx context.Context, name string) error
}

// What the page reads of an answer, and what it shows of that as a table. A download gives more.
const (
	sqlRead  = 1000
	sqlShown = 200
)

func (s *Server) sqlRoutes(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	page("GET /help/columns", s.columns)
	if s.deps.SQL == nil {
		return
	}
	page("GET /sql", s.sqlPage)
	page("POST /sql", s.sqlPage)
	page("GET /sql/answer/{form}", s.sqlAnswer)
	page("POST /sql/answer/{form}", s.sqlAnswer)
	page("GET /sql/load", s.sqlLoad)
	if s.deps.Shelf != nil {
		page("POST /sql/saved", s.sqlSave)
	}
}

// A sqlView is the page: what is asked, and what came of it.
type sqlView struct {
	Query, AsOf, Name, About string
	Params                   []sql.Arg
	Saved                    []sql.Saved
	Views, Macros            []sql.View
	Keep                     bool // queries can be saved
	Err                      *sql.Error
	Answer                   *sqlResult
}

// A sqlResult is an answer as the page shows it.
type sqlResult struct {
	Columns []sql.Column
	Numeric []bool
	Rows    [][]string
	Words   string
	State   string // the state of the lake that it comes from
	Chart   template.HTML
	Links   []sqlLink
}

type sqlLink struct{ Form, URL string }

// asked reads what a request asks: q, as-of, and p.NAME for each parameter.
func asked(r *http.Request) (sql.Request, string) {
	req := sql.Request{Query: strings.ReplaceAll(r.FormValue("q"), "\r\n", "\n")}
	for _, name := range sql.Params(req.Query) {
		if _, given := r.Form["p."+name]; given {
			req.Args = append(req.Args, sql.Arg{Name: name, Value: r.FormValue("p." + name)})
		}
	}
	return req, strings.TrimSpace(r.FormValue("as-of"))
}

// unhurried lifts the deadlines of the connection: a query has its own, and may wait for its turn before.
func unhurried(w http.ResponseWriter) {
	c := http.NewResponseController(w)
	_ = c.SetReadDeadline(time.Time{}) // a test's recorder has no connection
	_ = c.SetWriteDeadline(time.Time{})
}

// foreign says whether a page of another site made the browser ask.
func foreign(r *http.Request) bool {
	site := r.Header.Get("Sec-Fetch-Site")
	return site == "cross-site" || site == "same-site"
}

func (s *Server) sqlPage(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
	v := sqlView{Views: sql.Views(), Macros: sql.Macros(), Keep: s.deps.Shelf != nil}
	status := http.StatusOK
	var err error
	if v.Keep {
		if v.Saved, err = s.deps.Shelf.List(r.Context()); err != nil {
			return err
		}
	}
	req, asOf := asked(r)
	if name := r.FormValue("saved"); name != "" && req.Query == "" {
		i := slices.IndexFunc(v.Saved, func(q sql.Saved) bool { return q.Name == name })
		if i < 0 {
			return missing{"saved query", name, "It may have been deleted. The page SQL lists those that are there."}
		}
		r.Form.Set("q", v.Saved[i].Query)
		req, asOf = asked(r)
		v.Name, v.About = name, v.Saved[i].About
	}
	v.Query, v.AsOf = req.Query, asOf
	for _, name := range sql.Params(req.Query) {
		v.Params = append(v.Params, sql.Arg{Name: name, Value: r.FormValue("p." + name)})
	}
	if r.FormValue("run") != "" && strings.TrimSpace(req.Query) != "" && !foreign(r) {
		unhurried(w)
		if v.Answer, err = s.sqlRun(r, req, asOf); err != nil {
			if !errors.As(err, &v.Err) {
				return err
			}
			status = http.StatusUnprocessableEntity
		}
	}
	return s.show(w, r, status, "sql", view{Title: "SQL", Nav: "sql", Body: v})
}

// sqlRun runs a query and keeps what the page shows.
func (s *Server) sqlRun(r *http.Request, req sql.Request, asOf string) (*sqlResult, error) {
	res := &sqlResult{}
	to := &sqlSink{}
	req.Rows = sqlRead
	req.OnPin = func(p sql.Pinned) {
		res.State = fmt.Sprintf("snapshot %d, committed %s", p.SnapshotID, p.CommittedAt.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	sum, err := s.deps.SQL.Rows(r.Context(), req, asOf, to)
	if err != nil {
		return nil, err
	}
	res.Columns, res.Chart = to.columns, sqlChart(to.columns, to.rows)
	for _, c := range to.columns {
		res.Numeric = append(res.Numeric, sql.Numeric(c.Type))
	}
	for _, row := range to.rows[:min(len(to.rows), sqlShown)] {
		cells := make([]string, len(row))
		for i, v := range row {
			cells[i] = sql.Text(v)
		}
		res.Rows = append(res.Rows, cells)
	}
	res.Words = rowWords(len(to.rows), sum)
	q := url.Values{"q": {req.Query}}
	if asOf != "" {
		q.Set("as-of", asOf)
	}
	for _, a := range req.Args {
		q.Set("p."+a.Name, fmt.Sprint(a.Value))
	}
	for _, form := range []string{"csv", "xlsx", "json", "parquet", "arrow"} {
		res.Links = append(res.Links, sqlLink{form, "/sql/answer/" + form + "?" + q.Encode()})
	}
	return res, nil
}

// rowWords say plainly how many rows there are and how many are shown.
func rowWords(n int, sum sql.Summary) string {
	words := plural(n, "row", "rows") + ", all shown"
	switch {
	case n == 0:
		words = "No rows: nothing in the history meets the conditions"
	case sum.Truncated:
		words = fmt.Sprintf("More than %s; the first %d are shown, a download has more", plural(n, "row", "rows"), min(n, sqlShown))
	case n > sqlShown:
		words = fmt.Sprintf("%s; the first %d are shown, a download has them all", plural(n, "row", "rows"), sqlShown)
	}
	words += fmt.Sprintf(". It took %.2f s", sum.Elapsed.Seconds())
	if sum.Waited > 100*time.Millisecond {
		words += fmt.Sprintf(", after waiting %.1f s for a turn", sum.Waited.Seconds())
	}
	for _, note := range sum.Notes {
		words += ". Note: " + note
	}
	return words + "."
}

// A sqlSink keeps rows.
type sqlSink struct {
	columns []sql.Column
	rows    [][]any
}

func (k *sqlSink) Columns(c []sql.Column) error { k.columns = c; return nil }
func (k *sqlSink) Row(row []any) error          { k.rows = append(k.rows, slices.Clone(row)); return nil }

// sqlAnswer writes an answer for other programs and as a download. The text of the query is the parameter q,
// or the body of a POST that is no form.
func (s *Server) sqlAnswer(w http.ResponseWriter, r *http.Request) error {
	form := r.PathValue("form")
	if form == "table" || !slices.Contains(sql.Forms, form) {
		return missing{"form", form, "An answer comes as csv, xlsx, json, parquet or arrow."}
	}
	if foreign(r) {
		http.Error(w, "a page of another site may not ask for this", http.StatusForbidden)
		return nil
	}
	r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
	if t := r.Header.Get("Content-Type"); r.Method == http.MethodPost && !strings.HasPrefix(t, "application/x-www-form-urlencoded") && !strings.HasPrefix(t, "multipart/") {
		text, err := io.ReadAll(r.Body)
		if err != nil {
			http.Error(w, "the query is too long: "+err.Error(), http.StatusRequestEntityTooLarge)
			return nil
		}
		if r.Form, err = url.ParseQuery(r.URL.RawQuery); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return nil
		}
		r.Form.Set("q", string(text))
	}
	req, asOf := asked(r)
	h := w.Header()
	h.Set("Content-Type", sql.MediaType(form))
	h.Set("Content-Disposition", `attachment; filename="marginline.`+form+`"`)
	h.Set("Cache-Control", "no-store")
	h.Set("Trailer", "Marginline-Note")
	req.OnPin = func(p sql.Pinned) {
		h.Set("Marginline-Snapshot", fmt.Sprintf("%d committed %s", p.SnapshotID, p.CommittedAt.UTC().Format(time.RFC3339Nano)))
	}
	unhurried(w)
	out := &begun{w: w}
	sum, err := s.deps.SQL.Write(r.Context(), req, asOf, form, out)
	switch {
	case err == nil:
		if sum.Truncated {
			sum.Notes = append(sum.Notes, fmt.Sprintf("only the first %d rows are given", sum.Rows))
		}
		if len(sum.Notes) > 0 {
			h.Set("Marginline-Note", strings.Join(sum.Notes, "; "))
		}
		return nil
	case r.Context().Err() != nil:
		return nil
	case out.yes: // half an answer must not pass for a whole one
		s.log.Error("an answer broke off", "path", r.URL.Path, "err", err)
		panic(http.ErrAbortHandler)
	}
	var own *sql.Error
	if !errors.As(err, &own) {
		return err
	}
	h.Del("Content-Disposition")
	h.Del("Trailer")
	status := http.StatusUnprocessableEntity
	if own.Kind == sql.KindClosed {
		status = http.StatusForbidden
	}
	http.Error(w, own.Error(), status)
	return nil
}

// begun remembers whether an answer has begun.
type begun struct {
	w   io.Writer
	yes bool
}

func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.w.Write(p)
}

// sqlLoad tells a page that waits how busy it is.
func (s *Server) sqlLoad(w http.ResponseWriter, _ *http.Request) error {
	running, waiting := s.deps.SQL.Load()
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Type", "application/json")
	_, err := io.WriteString(w, asJSON(map[string]int{"running": running, "waiting": waiting}))
	return err
}

// sqlSave keeps a query under a name, or forgets one.
func (s *Server) sqlSave(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
	name := strings.TrimSpace(r.FormValue("name"))
	if r.FormValue("delete") != "" {
		if err := s.deps.Shelf.Delete(r.Context(), name); err != nil && !errors.Is(err, sql.ErrNotSaved) {
			return err
		}
		if err := s.note(r, "query deleted", name); err != nil {
			return err
		}
		http.Redirect(w, r, "/sql", http.StatusSeeOther)
		return nil
	}
	q := sql.Saved{Name: name, About: r.FormValue("about"), Query: strings.ReplaceAll(r.FormValue("q"), "\r\n", "\n"), At: s.deps.Now()}
	var own *sql.Error
	switch err := s.deps.Shelf.Put(r.Context(), q); {
	case errors.As(err, &own):
		v := sqlView{Query: q.Query, Name: q.Name, About: q.About, Views: sql.Views(), Macros: sql.Macros(), Keep: true, Err: own}
		return s.show(w, r, http.StatusUnprocessableEntity, "sql", view{Title: "SQL", Nav: "sql", Body: v})
	case err != nil:
		return err
	}
	if err := s.note(r, "query kept", name); err != nil {
		return err
	}
	http.Redirect(w, r, "/sql?saved="+url.QueryEscape(name), http.StatusSeeOther)
	return nil
}

// columns is the dictionary as a page.
func (s *Server) columns(w http.ResponseWriter, r *http.Request) error {
	return s.show(w, r, http.StatusOK, "columns", view{Title: "Views and columns", Nav: "help", Body: append(sql.Views(), sql.Macros()...)})
}
