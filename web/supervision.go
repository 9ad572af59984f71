package web

// supervisionPages are the pages of the coordinator and the nurse, and the calls.
func supervisionPages() []route {
	return []route{
		{method: "GET", path: "/meters", may: meterUser, page: true, do: (*Server).metersPage},
		{method: "GET", path: "/meters/{serial}", may: meterUser, page: true, do: (*Server).meterPage},
		{method: "GET", path: "/calls", may: readers, page: true, do: (*Server).calls},
		{method: "GET", path: "/calls/{id}", may: readers, page: true, do: (*Server).call},
		{method: "POST", path: "/results/{id}/withdraw", may: staff, page: true, do: (*Server).withdraw},
		{method: "GET", path: "/quality/lookbacks", may: qualityReaders, page: true, do: (*Server).lookBacks},
		{method: "GET", path: "/quality/lookbacks/{id}", may: qualityReaders, page: true, do: (*Server).lookBack},
		{method: "POST", path: "/quality/lookbacks/{id}/items/{result}", may: judges, page: true, do: (*Server).judge},
		{method: "POST", path: "/quality/lookbacks/{id}/widen", may: judges, page: true, do: (*Server).widen},
	}
}
