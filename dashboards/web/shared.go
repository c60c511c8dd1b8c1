package web

import (
	"errors"
	"fmt"
	"net/http"
	"sync"

	"rearguard/daemon/snapshot"
	"rearguard/dashboards/web/page"
)

// shared are the live sections of open pages as of one snapshot: they are
// rendered and taken apart once, however many people have a page open.
type shared struct {
	mu    sync.Mutex
	of    *snapshot.Snapshot
	pages map[pageKey]*sharedPage
}

// pageKey is what a page is rendered for.
type pageKey struct{ address, who string }

type sharedPage struct {
	mu       sync.Mutex
	rendered bool
	sections []prepared
}

// page is the page of a key as of a snapshot, rendered or not. What belongs to
// earlier snapshots is dropped.
func (c *shared) page(of *snapshot.Snapshot, key pageKey) *sharedPage {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.of != of {
		c.of, c.pages = of, map[pageKey]*sharedPage{}
	}
	if c.pages[key] == nil {
		c.pages[key] = &sharedPage{}
	}
	return c.pages[key]
}

// errGone is wrapped where the room, sensor or cohort of a page is no more.
var errGone = errors.New("there is no such page any more")

// prepare returns the sections of a page as open pages are sent them. A failure
// is not shared: it may be the visitor who went away meanwhile.
func (s *Site) prepare(v *page.View, r *http.Request, p page.Page) (sections []prepared, err error) {
	if v.Silence > 0 {
		// What it says changes by itself.
		return s.render(v, r, p)
	}
	one := s.shared.page(v.S, pageKey{r.URL.RequestURI(), v.Who})
	one.mu.Lock()
	defer one.mu.Unlock()
	if !one.rendered {
		if one.sections, err = s.render(v, r, p); err != nil {
			return nil, err
		}
		one.rendered = true
	}
	return one.sections, nil
}

func (s *Site) render(v *page.View, r *http.Request, p page.Page) (sections []prepared, err error) {
	content, err := p.Build(v, r)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errGone, err)
	}
	list, err := s.sections(v, p.Sections, content)
	if err != nil {
		return nil, err
	}
	for _, sec := range list {
		sections = append(sections, takeApart(sec.ID, string(sec.HTML)))
	}
	return sections, nil
}
