package technician

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rearguard/daemon/snapshot"
	"rearguard/dashboards/format"
	"rearguard/dashboards/web/page"
	"rearguard/sensors/quality"
	"rearguard/sensors/unclaimed"
)

// topicModel is one unclaimed topic.
type topicModel struct {
	*unclaimed.TopicView
	V *page.View
	// By, Score and Marked are of the search, Known is set while there is one.
	By, Score float64
	Known     bool
	Marked    bool
}

// Link is the address of the page that claims the topic.
func (t topicModel) Link() string { return "/technician/claim?topic=" + url.QueryEscape(t.Topic) }

// Values are the newest numbers, in words.
func (t topicModel) Values() string {
	var parts []string
	for _, f := range t.Fields {
		if f.Quantity != 0 {
			parts = append(parts, strings.ToLower(format.Quantity(f.Quantity))+" "+format.WithUnit(exact(f.Value), f.Unit))
		}
	}
	for _, f := range t.Fields {
		if f.Quantity == 0 && len(parts) < 4 {
			parts = append(parts, strings.TrimSpace(f.At+" "+exact(f.Value)))
		}
	}
	if len(parts) == 0 {
		return "no numbers"
	}
	return strings.Join(parts, ", ")
}

// exact writes a number as it was sent.
func exact(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Messages is how many have come, in words.
func (t topicModel) Messages() string {
	if t.Count == 1 {
		return "1 message"
	}
	return format.Grouped(t.Count) + " messages"
}

// Rate is how often messages come, in words.
func (t topicModel) Rate() string {
	switch {
	case t.PerMinute <= 0:
		return "once so far"
	case t.PerMinute >= 1.5:
		return fmt.Sprintf("%.0f a minute", t.PerMinute)
	}
	return "every " + format.Span(time.Duration(60/t.PerMinute)*time.Second)
}

// shownTopics bounds the unclaimed topics on a page.
const shownTopics = 60

func topicsOf(v *page.View) (topics []topicModel, rest int) {
	for i := range v.S.Unclaimed {
		if len(topics) >= shownTopics {
			return topics, len(v.S.Unclaimed) - len(topics)
		}
		topics = append(topics, topicModel{TopicView: &v.S.Unclaimed[i], V: v})
	}
	return topics, 0
}

// startSearch begins a search at the engine's present.
func startSearch(f *page.Form) (page.Outcome, error) {
	return page.Outcome{Back: "/technician/find/" + strconv.FormatInt(f.S.Time.UnixMilli(), 10)}, nil
}

type searchModel struct {
	Since  time.Time
	Topics []topicModel
	Marked *topicModel
	// Heard is how many topics have sent something since.
	Heard int
}

func searchPage() page.Page {
	return page.Page{Path: "/technician/find/{since}", Sections: []page.Section{page.Live("find"), page.Fixed("find-again")}, Build: buildSearch}
}

func buildSearch(v *page.View, r *http.Request) (page.Content, error) {
	ms, err := strconv.ParseInt(r.PathValue("since"), 10, 64)
	if err != nil {
		return page.Content{}, fmt.Errorf("search %q is %w", r.PathValue("since"), snapshot.ErrUnknown)
	}
	m := searchModel{Since: time.UnixMilli(ms).UTC()}
	var traces []quality.Trace
	for _, t := range v.S.Unclaimed {
		for _, f := range t.Fields {
			if isAir(f.Quantity) || f.Quantity == 0 {
				traces = append(traces, quality.Trace{Name: t.Topic, Points: f.Trace})
			}
		}
	}
	rises := quality.Identify(traces, m.Since)
	m.Heard = len(rises)
	for _, rise := range rises {
		topic, err := v.S.UnclaimedTopic(rise.Name)
		if err != nil {
			return page.Content{}, err
		}
		t := topicModel{TopicView: topic, V: v, By: rise.By, Score: rise.Score, Known: true, Marked: rise.Marked}
		m.Topics = append(m.Topics, t)
		if rise.Marked {
			m.Marked = &t
		}
	}
	m.Topics = m.Topics[:min(len(m.Topics), 12)]
	return page.Content{Title: "Which one is it?", Data: m}, nil
}
