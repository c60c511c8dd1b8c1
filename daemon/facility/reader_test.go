package facility

import (
	"testing"
	"time"

	"rearguard/alerts/wording"
)

// A person's own settings come first, those of the facility next.
func TestHowPeopleRead(t *testing.T) {
	for _, c := range []struct {
		site Site
		who  Person
		want wording.Reader
	}{
		{Site{}, Person{}, wording.Reader{}},
		{Site{Language: InGerman, Temperature: Fahrenheit}, Person{}, wording.Reader{Language: wording.German, Scale: wording.Fahrenheit}},
		{Site{Language: InGerman, Temperature: Fahrenheit}, Person{Language: InEnglish, Temperature: Celsius}, wording.Reader{}},
		{Site{}, Person{Language: InGerman}, wording.Reader{Language: wording.German}},
		{Site{Location: time.UTC}, Person{Temperature: Fahrenheit}, wording.Reader{Scale: wording.Fahrenheit, Zone: time.UTC}},
	} {
		if got := c.who.Reader(&c.site); got != c.want {
			t.Errorf("%+v at %+v reads %+v, want %+v", c.who, c.site, got, c.want)
		}
	}
}
