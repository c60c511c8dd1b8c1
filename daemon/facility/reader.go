package facility

import (
	"cmp"

	"rearguard/alerts/wording"
)

// Language is one in which people are told.
type Language string

// Scale is a unit of temperature in which people are told.
type Scale string

// The languages and units.
const (
	InEnglish  Language = "en"
	InGerman   Language = "de"
	Celsius    Scale    = "celsius"
	Fahrenheit Scale    = "fahrenheit"
)

// Reader is how the person reads, at a site.
func (p *Person) Reader(site *Site) wording.Reader {
	r := wording.Reader{Zone: site.Location}
	if cmp.Or(p.Language, site.Language) == InGerman {
		r.Language = wording.German
	}
	if cmp.Or(p.Temperature, site.Temperature) == Fahrenheit {
		r.Scale = wording.Fahrenheit
	}
	return r
}
