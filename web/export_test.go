package web

import "net/http"

// What the tests outside this package look at.

// RouteInfo is a row of the table of routes.
type RouteInfo struct {
	Method, Path string
	May          []string
	Page, API    bool
}

// Routes is the table.
func Routes() []RouteInfo {
	var out []RouteInfo
	for _, r := range table() {
		out = append(out, RouteInfo{Method: r.method, Path: r.path, May: r.may, Page: r.page, API: r.doc != nil})
	}
	return out
}

// OpenAPI is the API's description.
func OpenAPI() map[string]any { return openAPI("test") }

// Handle lets a test give a page that is not there a handler.
func Handle(w *Server, f func() error) {
	inner := w.mux()
	inner.HandleFunc("GET /test", w.serve(route{page: true, do: func(*Server, http.ResponseWriter, *http.Request, caller) error { return f() }}))
	w.handler = w.guard(inner)
}

// Settle waits for what goes on beside the requests.
func Settle(w *Server) { w.beside.Wait() }
