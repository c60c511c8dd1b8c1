package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rearguard/cmd/internal/cli"
)

func degreeDays(t *testing.T, table string, args ...string) (degreeDaysReport, error) {
	t.Helper()
	stdout, stderr, err := runProgram(t, &degreeDaysCommand{}, table, append(args, "--json", "-")...)
	var report degreeDaysReport
	if err != nil {
		if stdout != "" {
			t.Errorf("%v: printed %q before failing", args, stdout)
		}
		return report, err
	}
	if stderr != "" {
		t.Errorf("%v: notes belong in the JSON, not in %q", args, stderr)
	}
	decoder := json.NewDecoder(strings.NewReader(stdout))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&report); err != nil {
		t.Fatalf("%v in %s", err, stdout)
	}
	return report, nil
}

const zalomTable = "date,tmin,tmax\n2024-06-01,50,82\n2024-06-02,45,70\n2024-06-03,50,60\n"

func TestDegreeDaysDaily(t *testing.T) {
	for _, tt := range []struct {
		method string
		want   []float64
	}{
		// Zalom et al. 1983, UC Leaflet 21373, table 7, rows 50/82/45 and
		// 45/70/50; the third day has no next minimum, so it is its single
		// method: 50/60 above 55 is 1.25 by the triangle and 5/π by the sine.
		{"single-triangle", []float64{11.39, 4.50, 1.25}},
		{"double-triangle", []float64{10.62, 5.06, 1.25}},
		{"single-sine", []float64{11.85, 5.31, 5 / math.Pi}},
		{"double-sine", []float64{11.31, 5.70, 5 / math.Pi}},
		{"average", []float64{11, 2.5, 0}},
		{"average-clipped", []float64{13.5, 7.5, 2.5}},
	} {
		report, err := degreeDays(t, zalomTable, "--lower", "55", "--upper", "90", "--method", tt.method)
		if err != nil {
			t.Fatal(err)
		}
		if report.Method != tt.method || report.Cutoff != "horizontal" || len(report.Days) != 3 {
			t.Fatalf("%s: got %+v", tt.method, report)
		}
		var sum float64
		for i, want := range tt.want {
			day := report.Days[i]
			sum += day.DegreeDays
			if math.Abs(day.DegreeDays-want) > .006 || math.Abs(day.Cumulative-sum) > 1e-9 {
				t.Errorf("%s %s: %g of %g, want %g of %g", tt.method, day.Date, day.DegreeDays, day.Cumulative, want, sum)
			}
		}
		if math.Abs(report.DegreeDays-sum) > 1e-9 || report.Days[2].Date != "2024-06-03" {
			t.Errorf("%s: got %+v", tt.method, report)
		}
		if double := strings.HasPrefix(tt.method, "double"); double != (len(report.Notes) == 1) {
			t.Errorf("%s: notes are %q", tt.method, report.Notes)
		}
	}
}

// TestDegreeDaysSameDays reads the same days written in other ways.
func TestDegreeDaysSameDays(t *testing.T) {
	args := []string{"--lower", "55", "--method", "single-sine"}
	want, err := degreeDays(t, zalomTable, args...)
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		table string
		args  []string
	}{
		"month first":  {"date,tmin,tmax\n6/1/2024,50,82\n6/2/2024,45,70\n6/3/2024,50,60\n", nil},
		"mark, CRLF":   {"\ufeffDate, TMin ,TMAX\r\n2024-06-01, 50,82\r\n2024-06-02,45,70\r\n\r\n2024-06-03,50,60\r\n", nil},
		"semicolons":   {"tmax;date;tmin\n82;2024-06-01;50\n70;2024-06-02;45\n60;2024-06-03;50", nil},
		"tabs":         {"date\ttmin\ttmax\n2024-06-01\t50\t82\n2024-06-02\t45\t70\n2024-06-03\t50\t60\n", nil},
		"other names":  {"day,low,high,tmin\n2024-06-01,50,82,x\n2024-06-02,45,70,x\n2024-06-03,50,60,x\n", []string{"--time-column", "day", "--min-column", "low", "--max-column", "high"}},
		"midnight":     {"time,tmin,tmax\n2024-06-01T00:00:00,50,82\n2024-06-02T00:00:00,45,70\n2024-06-03T00:00:00,50,60\n", nil},
		"from curve":   {"time,temperature\n2024-06-01T05:00,50\n2024-06-01T15:00,82\n2024-06-02T05:00,45\n2024-06-02T15:00,70\n2024-06-03T05:00,50\n2024-06-03T15:00,60\n", nil},
		"both, chosen": {"time,tmin,tmax,t\n2024-06-01 05:00,1,2,50\n2024-06-01 15:00,1,2,82\n2024-06-02 05:00,1,2,45\n2024-06-02 15:00,1,2,70\n2024-06-03 05:00,1,2,50\n2024-06-03 15:00,1,2,60\n", []string{"--temperature-column", "t"}},
	} {
		got, err := degreeDays(t, tt.table, append(tt.args, args...)...)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got.DegreeDays != want.DegreeDays || len(got.Days) != 3 || got.Days[1] != want.Days[1] {
			t.Errorf("%s: got %+v, want %+v", name, got, want)
		}
	}
}

func TestDegreeDaysObserved(t *testing.T) {
	// From 4 °C a degree an hour to 28 °C, then down again: above 10 °C 18
	// hours to either side of the peak with a mean of 9.
	table := "time,temperature\n2024-06-01T12:00:00+02:00,4\n2024-06-02T12:00:00+02:00,28\n2024-06-03T12:00:00+02:00,4\n"
	report, err := degreeDays(t, table, "--lower", "10", "--method", "observed")
	if err != nil {
		t.Fatal(err)
	}
	// At midnight it is 16 °C: half of 6 for a quarter of a day on the first
	// and third day each.
	for i, want := range []float64{.75, 12, .75} {
		if math.Abs(report.Days[i].DegreeDays-want) > 1e-9 {
			t.Errorf("day %d: %g, want %g", i, report.Days[i].DegreeDays, want)
		}
	}
	if math.Abs(report.DegreeDays-13.5) > 1e-9 || len(report.Days) != 3 || len(report.Notes) != 3 || report.Upper != nil {
		t.Errorf("got %+v", report)
	}
	// In another zone the same curve has the same sum on other days.
	moved, err := degreeDays(t, table, "--lower", "10", "--method", "observed", "--zone", "Asia/Tokyo")
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(moved.DegreeDays-13.5) > 1e-9 || math.Abs(moved.Days[0].DegreeDays-.75) < .1 {
		t.Errorf("in Tokyo: got %+v", moved)
	}
	// An upper threshold with each cut-off: 6 hours above 25 °C, mean 1.5.
	for cutoff, want := range map[string]float64{
		"horizontal": 13.5 - 1.5/4, "vertical": 13.5 - (15+1.5)/4, "intermediate": 13.5 - 2*1.5/4,
	} {
		report, err := degreeDays(t, table, "--lower", "10", "--upper", "25", "--cutoff", cutoff, "--method", "observed")
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(report.DegreeDays-want) > 1e-9 || report.Cutoff != cutoff || *report.Upper != 25 {
			t.Errorf("%s: got %+v, want %g", cutoff, report, want)
		}
	}
}

func TestDegreeDaysNotes(t *testing.T) {
	table := "date,tmin,tmax\n2024-02-28,10,20\n2024-03-03,10,20\n"
	report, err := degreeDays(t, table, "--lower", "10", "--method", "double-sine")
	if err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(report.Notes, "\n")
	for _, want := range []string{
		"2024-02-28 has no next day", "2024-03-03 has no next day", "between 2024-02-28 and 2024-03-03: 3 missing",
	} {
		if !strings.Contains(notes, want) {
			t.Errorf("no note %q in:\n%s", want, notes)
		}
	}
	table = "time,temperature\n"
	for _, hour := range []string{"00", "01", "02", "03", "04", "05"} {
		table += "2024-06-01 " + hour + ":00,20\n"
	}
	table += "2024-06-02 12:00,25\n"
	report, err = degreeDays(t, table, "--lower", "10", "--method", "single-sine")
	if err != nil {
		t.Fatal(err)
	}
	if len(report.Notes) != 1 || !strings.Contains(report.Notes[0], "2024-06-02 are from only 1") {
		t.Errorf("notes are %q", report.Notes)
	}
}

func TestDegreeDaysText(t *testing.T) {
	path := filepath.Join(t.TempDir(), "june.csv")
	if err := os.WriteFile(path, []byte(zalomTable), 0o600); err != nil {
		t.Fatal(err)
	}
	stdout, stderr, err := runProgram(t, &degreeDaysCommand{}, "", "--lower=55", "--upper=90", "--method=double-triangle", path)
	if err != nil {
		t.Fatal(err)
	}
	want := `date        degree-days  cumulative
2024-06-01        10.62       10.62
2024-06-02         5.06       15.68
2024-06-03         1.25       16.93
16.93 degree-days in 3 days (double-triangle, above 55, horizontal cut-off at 90)
`
	if stdout != want {
		t.Errorf("got:\n%swant:\n%s", stdout, want)
	}
	if want := "note: 2024-06-03 has no next day with a minimum: its own is taken on both sides (single-triangle)\n"; stderr != want {
		t.Errorf("notes are %q, want %q", stderr, want)
	}
}

func TestDegreeDaysUnusable(t *testing.T) {
	const daily, timed = "date,tmin,tmax\n", "time,temperature\n"
	for name, tt := range map[string]struct {
		table string
		args  []string
		want  string
	}{
		"empty":           {"", nil, "is empty"},
		"header only":     {daily, nil, "no rows"},
		"no times":        {"tmin,tmax\n1,2\n", nil, "no column time or date"},
		"no temperatures": {"date,rain\n2024-06-01,2\n", nil, "no temperatures among the columns date, rain"},
		"column twice":    {"date,tmin,tmax,TMIN\n", nil, `two columns are named "tmin"`},
		"no such column":  {daily + "2024-06-01,1,2\n", []string{"--min-column", "low"}, `no column "low", only date, tmin, tmax`},
		"short row":       {daily + "2024-06-01,1,2\n2024-06-02,1\n", nil, "line 3: 2 columns, the header has 3"},
		"quote":           {daily + "2024-06-01,\"1,2\n", nil, "line"},
		"empty cell":      {daily + "2024-06-01,1,2\n2024-06-02,,2\n", nil, "line 3: tmin is empty"},
		"word":            {daily + "2024-06-01,1,warm\n", nil, `line 2: tmax "warm" is not a number`},
		"NaN":             {daily + "2024-06-01,1,NaN\n", nil, `line 2: tmax "NaN" is not a number`},
		"infinity":        {daily + "2024-06-01,-Inf,1\n", nil, `line 2: tmin "-Inf" is not a number`},
		"1e999":           {daily + "2024-06-01,1,1e999\n", nil, `line 2: tmax "1e999" is not a number`},
		"missing code":    {daily + "2024-06-01,-999,1\n", nil, "line 2: tmin -999 is no air temperature"},
		"swapped":         {daily + "\n2024-06-01,5,1\n", nil, "line 3: tmin 5 is above tmax 1"},
		"twice":           {daily + "2024-06-01,1,2\n6/1/2024,1,2\n", nil, "line 3: 2024-06-01 is there twice, first on line 2"},
		"unsorted":        {daily + "2024-06-02,1,2\n2024-06-01,1,2\n", nil, "line 3: 2024-06-01 comes after 2024-06-02 of line 2"},
		"day first":       {daily + "31/5/2024,1,2\n", nil, `line 2: "31/5/2024" is not a date`},
		"no such date":    {daily + "2023-02-29,1,2\n", nil, "is not a date"},
		"observed daily":  {daily + "2024-06-01,1,2\n", []string{"--method", "observed"}, "choose another method"},
		"observed date":   {timed + "2024-06-01,1\n", []string{"--method", "observed"}, "line 2: \"2024-06-01\" has no time of day"},
		"observed one":    {timed + "2024-06-01 12:00,1\n", []string{"--method", "observed"}, "at least two temperatures"},
		"timed twice":     {timed + "2024-06-01 12:00,1\n2024-06-01T12:00:00Z,1\n", []string{"--method", "observed"}, "line 3: 2024-06-01T12:00:00Z is there twice"},
		"timed unsorted":  {timed + "2024-06-01 12:00,1\n2024-06-01 11:00,1\n", nil, "line 3"},
		"thresholds":      {daily + "2024-06-01,1,2\n", []string{"--upper", "5"}, "upper threshold 5 is not above the lower threshold 10"},
		"no number":       {daily + "2024-06-01,1,2\n", []string{"--upper", "NaN"}, "upper threshold is NaN"},
		"zone":            {daily + "2024-06-01,1,2\n", []string{"--zone", "Moon/Sea"}, `time zone "Moon/Sea"`},
		"method":          {daily + "2024-06-01,1,2\n", []string{"--method", "guess"}, "--method must be one of"},
		"cutoff":          {daily + "2024-06-01,1,2\n", []string{"--cutoff", "diagonal"}, "--cutoff must be one of"},
	} {
		args := []string{"--lower", "10", "--method", "single-sine"}
		_, err := degreeDays(t, tt.table, append(args, tt.args...)...)
		if !cli.IsUnusable(err) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want unusable input and %q", name, err, tt.want)
		}
	}
	_, _, err := runProgram(t, &degreeDaysCommand{}, "", "--lower", "10", "--method", "average", filepath.Join(t.TempDir(), "none.csv"))
	if !cli.IsUnusable(err) || !strings.Contains(err.Error(), "none.csv") {
		t.Errorf("no file: got %v, want unusable input", err)
	}
}

// FuzzTemperatureTable checks that no table makes the reader fail in another
// way than with an error, and that what it accepts is in order and finite.
func FuzzTemperatureTable(f *testing.F) {
	f.Add(zalomTable, false)
	f.Add("time;temperature\n6/1/2024 3:00 PM;20\n2024-06-01T16:00:00+01:30;21.5\n", true)
	f.Add("\ufefftime\ttemperature\n2024-06-01T16:00:00.5Z\t1e1\n", true)
	f.Add("date,tmin,tmax\n\"2024-06-01\",1\n", false)
	f.Fuzz(func(t *testing.T, text string, observed bool) {
		table, err := temperatureReader{observed: observed}.read(strings.NewReader(text), "table")
		if err != nil {
			return
		}
		if len(table.lines) == 0 || len(table.lines) != len(table.points)+len(table.extremes) {
			t.Fatalf("%d lines, %d points, %d days", len(table.lines), len(table.points), len(table.extremes))
		}
		for i, p := range table.points {
			if math.IsNaN(p.TemperatureC) || math.IsInf(p.TemperatureC, 0) || i > 0 && !p.Time.After(table.points[i-1].Time) {
				t.Fatalf("point %d is %v", i, p)
			}
		}
		for i, d := range table.extremes {
			if !(d.MinC <= d.MaxC) || i > 0 && !d.Date.After(table.extremes[i-1].Date) {
				t.Fatalf("day %d is %v", i, d)
			}
		}
	})
}
