package dashboards

import (
	"net/http"
	"net/url"
	"reflect"
	"strconv"
)

// pageRows is how many rows a list shows at once; listRows how many each list of Today, which names where the rest is.
const (
	pageRows = 200
	listRows = 40
)

// A pager is where in a long list a page stands.
type pager struct {
	Page, Pages int // from 1
	From, To    int // rows, from 1
	Prev, Next  string
}

// paged cuts the part of a list that a request asks for with ?page=.
func paged[T any](r *http.Request, list []T, rows int) ([]T, pager) {
	p := pager{Page: 1, Pages: max(1, (len(list)+rows-1)/rows)}
	if n, err := strconv.Atoi(r.FormValue("page")); err == nil {
		p.Page = min(max(n, 1), p.Pages)
	}
	from := (p.Page - 1) * rows
	to := min(from+rows, len(list))
	p.From, p.To = from+1, to
	at := func(page int) string {
		q := url.Values{}
		for name, v := range r.URL.Query() {
			q[name] = v
		}
		q.Set("page", strconv.Itoa(page))
		return "?" + q.Encode()
	}
	if p.Page > 1 {
		p.Prev = at(p.Page - 1)
	}
	if p.Page < p.Pages {
		p.Next = at(p.Page + 1)
	}
	return list[from:to], p
}

// firstRows is the beginning of a list, for templates; beyond is how many rows of it are left out.
func firstRows(list any) any {
	v := reflect.ValueOf(list)
	return v.Slice(0, min(v.Len(), listRows)).Interface()
}

func beyond(list any) int { return max(0, reflect.ValueOf(list).Len()-listRows) }
