package dashboards

import "net/http"

// desk adds the pages on which people decide about alerts and print work orders.
func (s *Server) desk(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	page("GET /alerts/{id}", s.alert)
	page("POST /alerts/{id}/{verb}", s.decide)
	page("GET /orders", s.orders)
	page("GET /orders/{id}", s.order)
	s.shopDesk(page)
}
