package wording

// Phrases are the phrases, Reports the forms of reports and Briefs the short
// titles of a language.
func Phrases(l Language) map[string]string { return Reader{Language: l}.catalogue().phrases }
func Reports(l Language) map[string]string { return Reader{Language: l}.catalogue().reports }
func Briefs(l Language) map[string]string  { return Reader{Language: l}.catalogue().briefs }
