package dashboards

import "net/http"

// desk adds the pages on which people decide about alerts and print work orders. They come with the book.
func (s *Server) desk(func(string, func(http.ResponseWriter, *http.Request) error)) {}
