package facility

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"rearguard/sensors"
	"rearguard/sensors/payload"
)

// ErrEditedMeanwhile says that somebody else changed the file while it was
// being edited; nothing was written.
var ErrEditedMeanwhile = errors.New("the file was changed by somebody else meanwhile: try again")

// AddSensor writes a sensor into the file at the end of the list of sensors,
// leaving comments, order and layout as they are. The new text is checked in
// full, with the secrets and certificates it names, before it takes the place
// of the old in one step; a crash leaves the old file or the new one. The
// error is strict.Faults, placed in the text that would have been written, if the
// file is not good with the sensor in it.
func AddSensor(path string, s Sensor) (*Facility, error) {
	// The file behind a link is replaced, but what the file names lies beside
	// the path that rearguard was given.
	target, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil, fmt.Errorf("add sensor %s: %w", s.ID, err)
	}
	old, err := os.ReadFile(target)
	if err != nil {
		return nil, fmt.Errorf("add sensor %s: %w", s.ID, err)
	}
	before, err := Parse(path, old)
	if err != nil {
		return nil, err
	}
	text, err := insertSensor(string(old), s)
	if err != nil {
		return nil, fmt.Errorf("add sensor %s to %s: %w", s.ID, path, err)
	}
	d, f := parse(path, []byte(text))
	if f, err = d.checked(f); err != nil {
		return nil, err
	}
	if len(f.Sensors) != len(before.Sensors)+1 || f.Sensors[len(f.Sensors)-1].ID != s.ID {
		return nil, fmt.Errorf("add sensor %s to %s: the list of sensors cannot be continued; write every sensor on lines of its own", s.ID, path)
	}
	if err := replace(target, old, []byte(text)); err != nil {
		return nil, fmt.Errorf("add sensor %s: %w", s.ID, err)
	}
	return f, nil
}

// insertSensor returns the text with the sensor in it.
func insertSensor(text string, s Sensor) (string, error) {
	ending := "\n"
	if strings.Contains(text, "\r\n") {
		ending = "\r\n"
	}
	lines := strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	start := slices.IndexFunc(lines, func(l string) bool { return isKey(l, "sensors") })
	var added []string
	at := len(lines)
	if start < 0 {
		// Keep the last line complete before something follows.
		for at > 0 && strings.TrimSpace(lines[at-1]) == "" {
			at--
		}
		added = append([]string{"", "sensors:"}, sensorLines(s, 2)...)
		if at == len(lines) {
			added = append(added, "")
		}
	} else {
		value, _, _ := strings.Cut(strings.TrimSpace(strings.TrimPrefix(lines[start], "sensors:")), "#")
		if strings.TrimSpace(value) != "" {
			return "", errors.New("the sensors are written in brackets; write every sensor on lines of its own that start with a dash")
		}
		var indent int
		at, indent = endOfList(lines, start)
		added = sensorLines(s, indent)
		if at == len(lines) {
			added = append(added, "")
		}
	}
	return strings.Join(slices.Insert(lines, at, added...), ending), nil
}

func isKey(line, key string) bool {
	rest, ok := strings.CutPrefix(line, key+":")
	return ok && (rest == "" || rest[0] == ' ' || rest[0] == '\t')
}

// endOfList returns where the list below the key on line start ends, and how
// far its dashes are indented. Blank lines and comments at the margin that
// follow it belong to what comes next.
func endOfList(lines []string, start int) (end, indent int) {
	end, indent = start+1, -1
	for i := start + 1; i < len(lines); i++ {
		line := lines[i]
		trimmed := strings.TrimLeft(line, " ")
		depth := len(line) - len(trimmed)
		isDash := strings.HasPrefix(trimmed, "- ") || trimmed == "-"
		switch {
		case strings.TrimSpace(line) == "":
			continue
		case strings.HasPrefix(trimmed, "#"):
			if depth > max(indent, 0) {
				end = i + 1
			}
			continue
		case depth == 0 && !isDash:
			return end, max(indent, 0)
		case indent < 0:
			indent = depth
		}
		end = i + 1
	}
	if indent < 0 {
		indent = 2
	}
	return end, indent
}

// sensorLines writes a sensor as an entry of a list.
func sensorLines(s Sensor, indent int) []string {
	var out []string
	pad := strings.Repeat(" ", indent)
	add := func(text string) { out = append(out, pad+text) }
	add("- id: " + quote(string(s.ID)))
	if s.Room != "" {
		add("  room: " + quote(string(s.Room)))
	}
	if s.Place != "" && s.Place != sensors.Room {
		add("  place: " + string(s.Place))
	}
	if s.Position != "" {
		add("  position: " + quote(s.Position))
	}
	if s.HeightM != nil {
		add("  height_m: " + strconv.FormatFloat(*s.HeightM, 'f', -1, 64))
	}
	if s.Replaces != "" {
		add("  replaces: " + quote(string(s.Replaces)))
	}
	if a := s.Availability; a != nil {
		add(fmt.Sprintf("  availability: {topic: %s, online: %s, offline: %s}", quote(a.Topic), quote(a.Online), quote(a.Offline)))
	}
	if s.Interval != 0 {
		add("  interval: " + s.Interval.String())
	}
	add("  inputs:")
	for _, in := range s.Inputs {
		add("    - topic: " + quote(in.Topic))
		add("      format: " + quote(string(in.Format)))
		if in.Time != nil {
			add(fmt.Sprintf("      time: {at: %s, unit: %s}", quote(in.Time.At), quote(in.Time.Unit)))
		}
		add("      values:")
		for _, v := range in.Values {
			entry := "        - {quantity: " + v.Quantity.String()
			if v.At != "" {
				entry += ", at: " + quote(v.At)
			}
			if v.Unit != "" {
				entry += ", unit: " + quote(v.Unit)
			} else if in.Format == payload.Plain || in.Format == payload.JSON {
				entry += ", unit: " + quote(v.Quantity.Unit())
			}
			add(entry + "}")
		}
	}
	return out
}

// quote writes text so that YAML reads it as text and nothing else. Go's
// escapes are a subset of YAML's double-quoted ones.
func quote(s string) string {
	plain := s != "" && strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/_-") == "" &&
		strings.ContainsAny(s[:1], "abcdefghijklmnopqrstuvwxyz/") && !slices.Contains([]string{"true", "false", "null", "yes", "no", "on", "off", "y", "n"}, strings.ToLower(s))
	if plain {
		return s
	}
	return strconv.Quote(s)
}

// replace puts text in the place of old in one step and onto the disk.
func replace(path string, old, text []byte) (err error) {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	folder := filepath.Dir(path)
	temporary, err := os.CreateTemp(folder, "."+filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("rearguard must be allowed to write to the folder: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreClosed(temporary.Close()), os.Remove(temporary.Name()))
		}
	}()
	if err := temporary.Chmod(info.Mode().Perm()); err != nil {
		return err
	}
	if err := keepOwner(temporary, info); err != nil {
		return err
	}
	if _, err := temporary.Write(text); err != nil {
		return err
	}
	if err := temporary.Sync(); err != nil {
		return err
	}
	if err := temporary.Close(); err != nil {
		return err
	}
	now, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if string(now) != string(old) {
		return ErrEditedMeanwhile
	}
	if err := os.Rename(temporary.Name(), path); err != nil {
		return err
	}
	return syncFolder(folder)
}

func ignoreClosed(err error) error {
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}
