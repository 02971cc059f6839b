import os

from django.core.wsgi import get_wsgi_application

from receiving.whole_body import WholeBodies

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
application = WholeBodies(get_wsgi_application())
