package cohorts_test

import (
	"testing"

	"rearguard/daemon/rearing/forecast"
	"rearguard/dashboards/web/cohorts"
)

func TestAnimalsInWords(t *testing.T) {
	for want, n := range map[string]*forecast.DayNumbers{
		"–": nil, "few": {Expected: 0.2}, "few (up to 2)": {Expected: 0.4, High: 2.1}, "12 (8 – 17)": {Expected: 12.4, Low: 7.8, High: 17.2}, "1 (1 – 1)": {Expected: 1, Low: 0.9, High: 0.4},
	} {
		if got := cohorts.Animals(n); got != want {
			t.Errorf("%+v is %q, want %q", n, got, want)
		}
	}
}
