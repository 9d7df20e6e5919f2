package main

import (
	"fmt"
	"net/url"
	"reflect"
	"slices"
	"strings"

	"marginline/alerts/delivery"
)

// webhook is where events are posted; nil when nothing is set.
func (c *config) webhook() (*delivery.Webhook, error) {
	if c.Webhook.URL == "" {
		return nil, nil
	}
	if u, err := url.Parse(c.Webhook.URL); err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return nil, fmt.Errorf("url %q is no http or https address", c.Webhook.URL)
	}
	return delivery.NewWebhook(c.Webhook.URL, c.Webhook.Secret)
}

// recipientsKnown says which setting of a recipient nobody knows: a list is one setting to what reads the others.
func recipientsKnown(v any) error {
	if v == nil {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		return fmt.Errorf("want a list, in the file only; see deploy/marginline.yaml")
	}
	var known []string
	for f := range reflect.TypeFor[delivery.Recipient]().Fields() {
		known = append(known, f.Tag.Get("koanf"))
	}
	for i, x := range list {
		m, ok := x.(map[string]any)
		if !ok {
			return fmt.Errorf("recipient %d: want settings such as to: desk@fleet.example", i+1)
		}
		for key := range m {
			if !slices.Contains(known, key) {
				return fmt.Errorf("recipient %d: unknown key %q; want some of %s", i+1, key, strings.Join(known, ", "))
			}
		}
	}
	return nil
}
