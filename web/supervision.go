package web

// supervisionPages are the pages of the coordinator and the nurse, and the calls.
func supervisionPages() []route {
	return []route{
		{method: "GET", path: "/meters", may: meterUser, page: true, do: (*Server).metersPage},
		{method: "GET", path: "/meters/{serial}", may: meterUser, page: true, do: (*Server).meterPage},
		{method: "GET", path: "/calls", may: readers, page: true, do: (*Server).calls},
		{method: "GET", path: "/calls/{id}", may: readers, page: true, do: (*Server).call},
		{method: "POST", path: "/results/{id}/withdraw", may: staff, page: true, do: (*Server).withdraw},
		{method: "GET", path: "/quality", may: qualityReaders, page: true, do: (*Server).quality},
		{method: "GET", path: "/quality/lots/{lot}", may: qualityReaders, page: true, do: (*Server).lot},
		{method: "POST", path: "/quality/lots/{lot}/read-back", may: staff, page: true, do: (*Server).readBackLot},
		{method: "POST", path: "/quality/lots/{lot}/decide", may: deciders, page: true, do: (*Server).decideLot},
		{method: "GET", path: "/quality/comparisons", may: qualityReaders, page: true, do: (*Server).comparison},
		{method: "GET", path: "/quality/errors", may: qualityReaders, page: true, do: (*Server).deviceErrors},
		{method: "GET", path: "/quality/time-in-range", may: careReaders, page: true, do: (*Server).timeInRangeForm},
		{method: "POST", path: "/quality/time-in-range", may: careReaders, page: true, do: (*Server).timeInRange},
		{method: "GET", path: "/quality/controls/{meter}", may: qualityReaders, page: true, do: (*Server).controls},
		{method: "POST", path: "/quality/controls/{meter}/actions", may: deciders, page: true, do: (*Server).recordAction},
		{method: "GET", path: "/quality/lookbacks", may: qualityReaders, page: true, do: (*Server).lookBacks},
		{method: "GET", path: "/quality/lookbacks/{id}", may: qualityReaders, page: true, do: (*Server).lookBack},
		{method: "POST", path: "/quality/lookbacks/{id}/items/{result}", may: judges, page: true, do: (*Server).judge},
		{method: "POST", path: "/quality/lookbacks/{id}/widen", may: judges, page: true, do: (*Server).widen},
	}
}
