package forms_test

import (
	"errors"
	"net/url"
	"testing"
	"time"

	"rearguard/dashboards/entry"
	"rearguard/dashboards/web/forms"
)

// TestFieldsNameTheFirstThatIsWrong: what is typed never becomes a number by
// chance, and an empty field is not a wrong one.
func TestFieldsNameTheFirstThatIsWrong(t *testing.T) {
	for _, tt := range []struct {
		query, field string
		number       float64
	}{
		{"n=12,5&w=3&at=2026-05-14T09:10", "", 12.5}, {"n=&w=&at=", "", 7}, {"n=NaN", "n", 7}, {"n=Inf", "n", 7}, {"n=1,2,3", "n", 7},
		{"n=101", "n", 7}, {"w=4x&n=x", "w", 7}, {"w=99999999999999999999", "w", 7}, {"at=yesterday", "at", 7},
	} {
		values, err := url.ParseQuery(tt.query)
		if err != nil {
			t.Fatal(err)
		}
		f := forms.Fields{Values: values, Zone: time.UTC}
		f.Whole("w")
		number := f.NumberOr("n", 7, "enter a number")
		f.Between("n", 0, 100, "enter at most 100")
		f.Time("at")
		var wrong *entry.FieldError
		if errors.As(f.Err(), &wrong) != (tt.field != "") || wrong != nil && wrong.Field != tt.field {
			t.Errorf("%s: %v, want field %q", tt.query, f.Err(), tt.field)
		}
		if tt.field == "" && number != tt.number {
			t.Errorf("%s: %v, want %v", tt.query, number, tt.number)
		}
	}
}
