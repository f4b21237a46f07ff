"""What rings and why: causes, evidence, advice, comparison of states, the sentence on top."""
