package facility

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"time"

	"rearguard/alerts"
	"rearguard/daemon/strict"
	"rearguard/sensors"
)

// Load reads and checks the file and the secrets and certificates it names.
// The error is strict.Faults if the file could be read, and wraps the error of
// the operating system otherwise.
func Load(path string) (*Facility, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	d, f := parse(path, data)
	return d.checked(f)
}

func read(path string) ([]byte, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return data, nil
}

// LoadWithoutSecrets is Load for those who tell nobody anything and reach no
// broker: the secrets and certificates that the file names may be missing.
func LoadWithoutSecrets(path string) (*Facility, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, data)
}

// Check is Load for somebody who looks at the file in another environment than
// rearguard's own: a secret that cannot be seen from here is a remark.
func Check(path string) (f *Facility, remarks []string, err error) {
	data, err := read(path)
	if err != nil {
		return nil, nil, err
	}
	d, f := parse(path, data)
	d.unseen = func(remark string) { remarks = append(remarks, remark) }
	f, err = d.checked(f)
	return f, remarks, err
}

// Parse checks data as the content of the file name, without looking at any
// other file. The error is strict.Faults.
func Parse(name string, data []byte) (*Facility, error) {
	d, f := parse(name, data)
	if err := d.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// document is one configuration file while it is checked.
type document struct {
	*strict.Reading
	// unseen, if set, takes secrets that cannot be seen from here; without it
	// they are faults.
	unseen func(remark string)
}

// parse returns a nil Facility when the text is not even a YAML mapping.
func parse(name string, data []byte) (*document, *Facility) {
	f := Defaults()
	f.Path, f.Text = name, string(data)
	r, ok := strict.Kind{Sample: "the sample facility.yaml in deploy/examples", Scalars: scalars()}.Read(name, data, &f)
	d := &document{Reading: r}
	if !ok {
		return d, nil
	}
	d.validate(&f)
	f.fillDefaults()
	f.joinPaths(filepath.Dir(name))
	d.tryTemplates(&f, false)
	return d, &f
}

// checked returns f when neither it nor the files that it names have faults.
func (d *document) checked(f *Facility) (*Facility, error) {
	if f != nil {
		d.checkFiles(f)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

func scalars() map[reflect.Type]strict.Scalar {
	scalars := map[reflect.Type]strict.Scalar{
		reflect.TypeFor[*time.Location](): func(name string) (any, string, string) {
			zone, err := time.LoadLocation(name)
			if err != nil || name == "" || name == "Local" {
				return nil, fmt.Sprintf("%q is not a time zone", name), "use a name of the IANA database, for example Europe/Madrid or UTC"
			}
			return zone, "", ""
		},
		reflect.TypeFor[sensors.Quantity](): func(name string) (any, string, string) {
			q, err := sensors.ParseQuantity(name)
			if err != nil {
				return nil, fmt.Sprintf("unknown quantity %q", name), strict.Choose(name, []string{"temperature", "humidity", "battery", "signal"})
			}
			return q, "", ""
		},
		reflect.TypeFor[alerts.Priority](): func(name string) (any, string, string) {
			var names []string
			for _, p := range []alerts.Priority{alerts.Low, alerts.Medium, alerts.High, alerts.Critical} {
				if p.String() == name {
					return p, "", ""
				}
				names = append(names, p.String())
			}
			return nil, fmt.Sprintf("unknown priority %q", name), strict.Choose(name, names)
		},
	}
	maps.Copy(scalars, rosterScalars())
	return scalars
}
