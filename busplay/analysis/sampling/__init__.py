"""Whether an analyser of a stated rate can sample a link: computed and simulated."""
