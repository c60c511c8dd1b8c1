package main

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon/development"
)

// temperatureReader reads a table of temperatures. Every row must be usable:
// a bad one is an error that names its line.
type temperatureReader struct {
	timeColumn, temperatureColumn, minColumn, maxColumn string
	// zone is nil to take times as written.
	zone *time.Location
	// observed asks for timed temperatures; otherwise daily extremes are
	// preferred where the table has both.
	observed bool
}

// temperatureTable holds either points or extremes.
type temperatureTable struct {
	name     string
	points   []development.Point
	extremes []development.Extremes
	// lines are the line numbers of the points or extremes.
	lines []int
	zone  *time.Location
}

var byteOrderMark = []byte("\ufeff")

func (r temperatureReader) read(in io.Reader, name string) (*temperatureTable, error) {
	buffered := bufio.NewReader(in)
	if start, err := buffered.Peek(len(byteOrderMark)); err == nil && bytes.Equal(start, byteOrderMark) {
		if _, err := buffered.Discard(len(byteOrderMark)); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	rows := csv.NewReader(buffered)
	rows.Comma = separator(buffered)
	rows.FieldsPerRecord = -1 // counted below, with a better message
	rows.TrimLeadingSpace = true
	rows.ReuseRecord = true
	header, err := rows.Read()
	switch {
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("%s is empty: want a header and a row for each temperature", name)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	columns, err := r.columns(header)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	table := &temperatureTable{name: name, zone: r.zone}
	width := len(header)
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		line, _ := rows.FieldPos(0)
		if len(row) != width {
			return nil, fmt.Errorf("%s line %d: %d columns, the header has %d", name, line, len(row), width)
		}
		if err := table.add(columns, row, line); err != nil {
			return nil, fmt.Errorf("%s line %d: %w", name, line, err)
		}
	}
	if len(table.lines) == 0 {
		return nil, fmt.Errorf("%s has a header but no rows", name)
	}
	return table, nil
}

// separator returns the first of comma, semicolon and tab that the header has.
func separator(in *bufio.Reader) rune {
	// A short input is peeked at with an error; what there is will do.
	start, _ := in.Peek(in.Size())
	header, _, _ := bytes.Cut(start, []byte("\n"))
	for _, r := range ",;\t" {
		if bytes.ContainsRune(header, r) {
			return r
		}
	}
	return ','
}

// columnSet holds the positions of the columns of interest. Either min and
// max are set or temperature is; the others are -1.
type columnSet struct {
	names                       []string
	time, temperature, min, max int
}

func (r temperatureReader) columns(header []string) (columnSet, error) {
	set := columnSet{time: -1, temperature: -1, min: -1, max: -1}
	positions := map[string]int{}
	for i, h := range header {
		h = strings.ToLower(strings.TrimSpace(h))
		set.names = append(set.names, h)
		if _, twice := positions[h]; twice {
			return set, fmt.Errorf("line 1: two columns are named %q", h)
		}
		positions[h] = i
	}
	find := func(given string, defaults ...string) (int, error) {
		if given != "" {
			if i, ok := positions[strings.ToLower(strings.TrimSpace(given))]; ok {
				return i, nil
			}
			return -1, fmt.Errorf("line 1: no column %q, only %s", given, strings.Join(set.names, ", "))
		}
		for _, name := range defaults {
			if i, ok := positions[name]; ok {
				return i, nil
			}
		}
		return -1, nil
	}
	var errs [4]error
	set.time, errs[0] = find(r.timeColumn, "time", "date")
	set.temperature, errs[1] = find(r.temperatureColumn, "temperature")
	set.min, errs[2] = find(r.minColumn, "tmin")
	set.max, errs[3] = find(r.maxColumn, "tmax")
	for _, err := range errs {
		if err != nil {
			return set, err
		}
	}
	daily := set.min >= 0 && set.max >= 0
	switch {
	case set.time < 0:
		return set, fmt.Errorf("line 1: no column time or date, only %s (name it with --time-column)", strings.Join(set.names, ", "))
	case r.observed && set.temperature < 0 && daily:
		return set, errors.New("the observed method needs timed temperatures, the table has daily extremes: choose another method")
	case r.observed && set.temperature < 0, set.temperature < 0 && !daily:
		return set, fmt.Errorf("line 1: no temperatures among the columns %s (name them with --temperature-column, or --min-column and --max-column)",
			strings.Join(set.names, ", "))
	case r.observed, !daily, r.temperatureColumn != "" && r.minColumn == "" && r.maxColumn == "":
		set.min, set.max = -1, -1
	}
	return set, nil
}

func (t *temperatureTable) add(columns columnSet, row []string, line int) error {
	if columns.min < 0 {
		return t.addPoint(columns, row, line)
	}
	date, err := parseDate(row[columns.time])
	if err != nil {
		return err
	}
	low, err := parseTemperature(columns.names[columns.min], row[columns.min])
	if err != nil {
		return err
	}
	high, err := parseTemperature(columns.names[columns.max], row[columns.max])
	if err != nil {
		return err
	}
	if low > high {
		return fmt.Errorf("%s %g is above %s %g", columns.names[columns.min], low, columns.names[columns.max], high)
	}
	if n := len(t.extremes); n > 0 {
		if err := t.order(date, t.extremes[n-1].Date, time.DateOnly); err != nil {
			return err
		}
	}
	t.extremes = append(t.extremes, development.Extremes{Date: date, MinC: low, MaxC: high})
	t.lines = append(t.lines, line)
	return nil
}

func (t *temperatureTable) addPoint(columns columnSet, row []string, line int) error {
	at, err := parseTime(row[columns.time], t.zone)
	if err != nil {
		return err
	}
	temperature, err := parseTemperature(columns.names[columns.temperature], row[columns.temperature])
	if err != nil {
		return err
	}
	if t.zone == nil {
		t.zone = at.Location()
	}
	if n := len(t.points); n > 0 {
		if err := t.order(at, t.points[n-1].Time, time.RFC3339); err != nil {
			return err
		}
	}
	t.points = append(t.points, development.Point{Time: at, TemperatureC: temperature})
	t.lines = append(t.lines, line)
	return nil
}

// order compares the new time with the one of the row before.
func (t *temperatureTable) order(at, last time.Time, layout string) error {
	lastLine := t.lines[len(t.lines)-1]
	switch {
	case at.Equal(last):
		return fmt.Errorf("%s is there twice, first on line %d: keep one of the two", at.Format(layout), lastLine)
	case at.Before(last):
		return fmt.Errorf("%s comes after %s of line %d: sort the table by time (dates with slashes are month/day/year)",
			at.Format(layout), last.Format(layout), lastLine)
	}
	return nil
}

// Limits beyond which a number is no air temperature in °C or °F. Codes for a
// missing value such as -999 or 9999 lie outside.
const (
	lowestTemperature  = -130.0
	highestTemperature = 150.0
)

func parseTemperature(column, text string) (float64, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return 0, fmt.Errorf("%s is empty: fill it in or leave the row out", column)
	}
	value, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsNaN(value) || math.IsInf(value, 0):
		return 0, fmt.Errorf("%s %q is not a number", column, text)
	case value < lowestTemperature || value > highestTemperature:
		return 0, fmt.Errorf("%s %g is no air temperature: leave out rows with a code for a missing value", column, value)
	}
	return value, nil
}

var dateLayouts = []string{"2006-01-02", "1/2/2006"}

// clockLayouts follow a date layout and a space; fractions of a second are
// accepted by all that have seconds.
var clockLayouts = []string{"15:04:05", "15:04", "15:04:05Z07:00", "15:04Z07:00", "3:04:05 PM", "3:04 PM"}

// parseDate reads a calendar date, which may carry a time of day.
func parseDate(text string) (time.Time, error) {
	text = strings.TrimSpace(text)
	for _, layout := range dateLayouts {
		if date, err := time.Parse(layout, text); err == nil {
			return date, nil
		}
	}
	if at, err := parseTime(text, nil); err == nil {
		return civil(at), nil
	}
	return time.Time{}, fmt.Errorf("%q is not a date (want 2024-06-30 or 6/30/2024, month first)", text)
}

// parseTime reads a date with a time of day. A time without an offset is in
// zone, or UTC where that is nil.
func parseTime(text string, zone *time.Location) (time.Time, error) {
	if zone == nil {
		zone = time.UTC
	}
	text = strings.TrimSpace(text)
	date, clock, found := strings.Cut(strings.Replace(text, "T", " ", 1), " ")
	for _, dateLayout := range dateLayouts {
		if !found {
			if _, err := time.Parse(dateLayout, date); err == nil {
				return time.Time{}, fmt.Errorf("%q has no time of day: for daily minima and maxima use another method than observed and columns tmin and tmax", text)
			}
			continue
		}
		for _, clockLayout := range clockLayouts {
			if at, err := time.ParseInLocation(dateLayout+" "+clockLayout, date+" "+clock, zone); err == nil {
				return at, nil
			}
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time (want 2024-06-30T14:30:00Z, 2024-06-30 14:30 or 6/30/2024 14:30, month first)", text)
}
