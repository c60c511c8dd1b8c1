package quality

import "rearguard/sensors"

// departure is where a running test differs from the published flags of one
// series on purpose.
type departure struct {
	// rows are the flags given instead, by row.
	rows map[int]sensors.Flag
	why  string
}

// departures lists every such row, by the place of its series in the file.
func departures() map[int][]departure {
	const (
		passes   = sensors.Pass
		untested = sensors.NotEvaluated
		suspect  = sensors.Suspect
	)
	type rows = map[int]sensors.Flag
	newest := func(row int) departure {
		return departure{rows{row: passes}, "the newest reading is graded at once; the next one may amend it"}
	}
	neighbours := func(r rows) departure {
		return departure{r, "the distance from the mean blames the neighbours of a spike; the smaller of the two steps is measured"}
	}
	missing := func(r rows) departure {
		return departure{r, "a missing reading leaves no hole: those around it are neighbours as long as no gap lies between them"}
	}
	first := departure{rows{0: untested}, "the first reading has nothing to be compared with"}
	lasts := func(r rows) departure {
		return departure{r, "a run must have lasted longer than the limit by its own times; published are counts of steps, rounded down"}
	}
	unfilled := func(r rows) departure {
		return departure{r, "the test takes no part until the whole window has been seen, and never looks ahead"}
	}
	return map[int][]departure{
		1: {neighbours(rows{1: passes, 3: passes, 5: passes}), newest(7)},
		2: {neighbours(rows{1: passes, 3: passes, 5: passes}), newest(7)},
		3: {newest(3)},
		4: {
			neighbours(rows{1: passes, 3: passes, 5: passes, 10: passes}), missing(rows{7: passes, 9: passes}),
			newest(12),
		},
		5:  {newest(29)},
		6:  {neighbours(rows{1: passes, 5: passes, 12: passes}), missing(rows{14: passes, 16: passes}), newest(17)},
		7:  {missing(rows{14: passes, 16: passes}), newest(17)},
		8:  {first},
		9:  {first, {rows{6: untested}, "after a gap nothing can be said of the change"}},
		10: {first},
		11: {lasts(rows{4: passes, 6: suspect, 13: passes})},
		12: {lasts(rows{3: passes, 5: suspect, 12: passes})},
		17: {lasts(rows{3: passes})},
		18: {lasts(rows{3: passes})},
		19: {lasts(rows{3: passes, 5: suspect})},
		20: {lasts(rows{3: passes, 8: passes})},
		21: {lasts(rows{4: passes, 5: passes, 6: passes, 7: suspect, 13: passes})},
		23: {unfilled(rows{0: passes, 1: passes, 2: passes})},
		24: {unfilled(rows{0: passes, 1: passes, 2: passes})},
		25: {unfilled(rows{0: passes, 1: passes, 2: passes})},
		26: {unfilled(rows{0: passes, 1: passes, 2: passes})},
		27: {unfilled(rows{0: passes, 1: passes, 2: passes})},
		30: {unfilled(rows{0: passes, 3: passes})},
		31: {unfilled(rows{0: passes})},
		32: {unfilled(rows{0: passes})},
		33: {unfilled(rows{0: passes, 2: passes})},
		34: {unfilled(rows{0: passes, 2: passes})},
	}
}
