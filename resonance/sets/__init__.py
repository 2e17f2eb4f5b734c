"""Sets: instrument, setup, and the takes of one sitting."""
