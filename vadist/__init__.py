"""Know and hear what a guitar distortion circuit will do before anything is soldered."""
